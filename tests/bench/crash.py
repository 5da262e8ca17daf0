"""A serving process under load is killed again and again: what was lost, doubled or told otherwise, on both databases.

    python tests/bench/crash.py [--full]

--full: 2,000 messages in 200 conversations, ten kills (SIGKILL) at random points.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS), str(TESTS / "service")]

from crashing import crash, talks
from databases import DATABASES, fresh_url
from gateway import gateway
from serving import served

COLUMNS = ("messages", "kills", "not_kept", "not_done", "unanswered", "different", "doubled", "superseded", "unsent")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    n, k, kills = (200, 10, 10) if options.full else (40, 5, 2)
    print(f"{'database':12}" + "".join(f"{name:>12}" for name in COLUMNS) + f"{'seconds':>10}")
    bad = 0
    for database in DATABASES:
        said = talks(n, k, options.seed)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with gateway() as ours, served(folder, fresh_url(database, folder), ours.url) as server:
                report = crash(server, ours, said, kills, options.seed)
        print(
            f"{database:12}" + "".join(f"{getattr(report, name):>12}" for name in COLUMNS) + f"{report.seconds:>10.1f}"
        )
        lost = report.not_kept + report.not_done + report.unanswered + report.different + report.unsent
        bad += bool(lost) + (report.doubled > report.kills)
        for note in report.notes[:5]:
            print(" ", note)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
