"""Time of one turn and of a cold start. Ratios in one run count; a noisy machine moves the rest.

python tests/bench/turns.py
"""

from __future__ import annotations

import os
import subprocess
import sys
import time

import numpy as np

from chatkey.app import open_mind
from chatkey.channels.base import Talks
from chatkey.dialog import Mind
from chatkey.identify import believe, gains
from chatkey.terms import Claim, Place
from chatkey.understand import understand

TALK = (
    "soft short flat needles, two white lines under. by a creek nr Marquette MI",
    "newest twig is brown, rough where the needles came off",
    "cones like 3/4 inch hanging off the tips",
    "why",
    "how sure",
    "can i plant it here",
    "next",
    "needles in bundles of 4?? soft, 3 in, long skinny cone 6in",
    "oh 5 in most",
    "is it a red pine?",
    "what else could it be",
)


def turns(mind: Mind, rounds: int) -> list[float]:
    """Seconds of each turn: understand, update, score every question, render."""
    times = []
    for _ in range(rounds):
        talks = Talks(mind)
        for text in TALK:
            start = time.perf_counter()
            talks.say(text)
            times.append(time.perf_counter() - start)
    return times


def once(work: object, rounds: int = 300) -> float:
    """Median seconds of a piece of work."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()  # type: ignore[operator]
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def cold_start(command: list[str], rounds: int = 5) -> list[float]:
    """Seconds of whole processes; the caches of modules and of knowledge are warm after the first."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, env=environment)
        times.append(time.perf_counter() - start)
    return times


def main() -> None:
    mind = open_mind()
    turns(mind, 2)
    times = np.array(turns(mind, 30)) * 1000
    claims = [
        Claim("leaf_section", ("flat",), sequence=0, message="1"),
        Claim("bands_below", ("two_lines",), sequence=1, message="1"),
    ]
    place = Place("MI")
    belief = believe(mind.table, claims, place)
    rows = {
        "one turn, median": float(np.median(times)),
        "one turn, 99th percentile": float(np.percentile(times, 99)),
        "  understand": once(lambda: understand(TALK[0], mind.knowledge, mind.lexicon)) * 1000,
        "  posterior": once(lambda: believe(mind.table, claims, place)) * 1000,
        "  score every question": once(lambda: gains(belief, place)) * 1000,
    }
    base = rows["one turn, median"]
    print(
        f"{len(mind.table.taxa)} taxa, {len(mind.table.characters)} characters, {mind.table.frequency.shape[1]} states"
    )
    for name, value in rows.items():
        print(f"  {name:28} {value:8.3f} ms {value / base:8.2f} of a turn")
    chatkey = [sys.executable, "-m", "chatkey.cli", "identify", "--place", "MI", "soft flat needles"]
    bare = min(cold_start([sys.executable, "-c", "pass"]))
    whole = cold_start(chatkey)
    best = min(whole)
    print(f"  chatkey identify, cold       {best * 1000:8.0f} ms {best / bare:8.1f} of a bare interpreter")
    print(f"    first of {len(whole)} (fills the caches) {max(whole) * 1000:6.0f} ms")


if __name__ == "__main__":
    main()
