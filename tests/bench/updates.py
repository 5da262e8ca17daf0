"""Telegram's updates of all kinds while the process is killed: what was lost or doubled, and whether the pace was kept.

    python tests/bench/updates.py [--full]

--full: 20,000 updates in 3,000 private chats and 60 groups, five kills (SIGKILL). The server keeps the real limits; the
pace is what its own clock says.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import fields, replace
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS), str(TESTS / "service")]

from botapi import TOKEN, bot_api
from databases import fresh_url
from serving import served
from updating import Plan, Report, drive

LIMITS = {"closest_s": 1.0, "most_in_group_minute": 20, "most_a_second": 30}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true")
    for name in ("updates", "people", "groups", "kills"):
        parser.add_argument(f"--{name}", type=int, help="another number than the size has")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--store", choices=("sqlite", "postgresql"), default="sqlite")
    options = parser.parse_args()
    plan = Plan(20_000, 3_000, 60, 5, options.seed) if options.full else Plan(600, 120, 6, 1, options.seed)
    given = {name: getattr(options, name) for name in ("updates", "people", "groups", "kills")}
    plan = replace(plan, **{name: number for name, number in given.items() if number is not None})
    with tempfile.TemporaryDirectory() as name, bot_api(keeps_pace=True) as api:
        folder = Path(name)
        own = {"CHATKEY_TELEGRAM__TOKEN": TOKEN, "CHATKEY_TELEGRAM__API": api.url}
        with served(folder, fresh_url(options.store, folder), "http://127.0.0.1:9/", **own) as server:
            report = drive(server, api, plan)
        broken = [line for line in server.log.splitlines() if '"error"' in line and "store_unavailable" not in line]
    for one in fields(report):
        print(f"{one.name:22}{getattr(report, one.name)}")
    for line in broken[:5]:
        print(line[:400])
    return 0 if _holds(report) and not broken else 1


def _holds(report: Report) -> bool:
    lost = report.not_kept + report.too_many + report.not_done + report.unsent + report.different + report.out_of_order
    paced = (
        report.closest_s >= LIMITS["closest_s"]
        and report.most_in_group_minute <= LIMITS["most_in_group_minute"]
        and report.most_a_second <= LIMITS["most_a_second"]
    )
    return not lost and paced and report.doubled <= report.kills + report.lost_answers


if __name__ == "__main__":
    sys.exit(main())
