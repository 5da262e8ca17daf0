"""Time of one turn as the flora grows, beside the product of a vector and the table that no turn can do without.

    python tests/bench/scale.py [--full]

A turn: claims in, question out, the last claim new each time. One thread. All floras but the shipped one are invented
(chatkey.trial.synthetic); `watched` has a deadly look-alike among its plants. Ratios in one run count; a noisy machine
moves the rest.
"""

from __future__ import annotations

import os

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"  # read when NumPy is loaded

import argparse
import json
import multiprocessing
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from chatkey.app import open_mind
from chatkey.channels.base import Talks
from chatkey.dialog import Mind
from chatkey.dialog.conversation import to_json
from chatkey.identify import Asked, Table, believe, build_table, next_step, watch_yew
from chatkey.terms import Place
from chatkey.trial.engines import Engine, talk_of
from chatkey.trial.finders import World, draw_finder
from chatkey.trial.nature import draw_nature
from chatkey.trial.synthetic import honest_answers, honest_claim, synthetic_table
from chatkey.trial.words import first_claims

PLACE = Place("MI")
SIZES = ((100, 300), (1_000, 300), (10_000, 200), (10_000, 300))
QUICK = ((1_000, 300),)
ARRAYS = ("frequency", "heard", "information", "applies", "alike", "edges")
LONGEST = 12  # questions a talk
PROCESSES = 2


@dataclass(frozen=True)
class Row:
    """One size: seconds to build, bytes of the arrays, and milliseconds of turns and of the bare product."""

    name: str
    build: float
    memory: int
    turns: np.ndarray
    product: np.ndarray
    right: float  # share of talks that ended with the plant leading

    def text(self) -> str:
        p50, p99 = np.percentile(self.turns, [50, 99])
        q50, q99 = np.percentile(self.product, [50, 99])
        return (
            f"{self.name:22} {self.build:7.2f} {self.memory / 1e6:7.1f} {len(self.turns):6} {p50:8.3f} {p99:8.3f}"
            f" {q50:8.3f} {q99:8.3f} {p50 / q50:7.1f} {p99 / q99:7.1f} {self.right:7.2f}"
        )


HEAD = (
    f"{'taxa x characters':22} {'build s':>7} {'MB':>7} {'turns':>6} {'p50 ms':>8} {'p99 ms':>8}"
    f" {'product':>8} {'its p99':>8} {'ratio50':>7} {'ratio99':>7} {'right':>7}"
)


def talk(table: Table, taxon: str, number: int) -> Iterator[tuple[float, bool]]:
    """Milliseconds of each turn of an honest talk, and whether the plant leads. `number` makes its claims new."""
    told = [honest_claim(table, taxon, name, 0) for name in table.characters]
    claims = [replace(claim, text=str(number)) for claim in told if claim is not None][:2]
    asked: list[Asked] = []
    while len(asked) <= LONGEST:
        start = time.perf_counter()
        belief = believe(table, claims, PLACE)
        step = next_step(belief, asked, watch_yew(belief, claims, PLACE), PLACE)
        took = time.perf_counter() - start
        yield took * 1000, table.taxa[int(np.argmax(belief.probability))] == taxon
        if step.kind == "done":
            return
        asked.append(Asked(step.kind, step.character, step.pair, step.free))
        answers = honest_answers(table, taxon, step, len(asked))
        claims += [replace(claim, text=f"{number}.{len(asked)}") for claim in answers]


def measure(name: str, table: Table, build: float, turns: int) -> Row:
    """Talks about plants drawn evenly until there are so many turns; after each turn one bare product."""
    random = np.random.default_rng(1)
    vector = random.random(len(table.taxa)).astype(np.float32)
    list(talk(table, table.taxa[0], -1))  # what is found once a place
    times: list[float] = []
    products: list[float] = []
    ends: list[bool] = []
    while len(times) < turns:
        leads = False
        for took, leads in talk(table, str(random.choice(table.taxa)), len(ends)):  # noqa: B007 - the last one counts
            times.append(took)
            start = time.perf_counter()
            vector @ table.heard
            products.append((time.perf_counter() - start) * 1000)
        ends.append(leads)
    memory = sum(getattr(table, array).nbytes for array in ARRAYS)
    return Row(name, build, memory, np.array(times), np.array(products), float(np.mean(ends)))


def watched(table: Table, mind: Mind) -> Table:
    """The table with the yew's caution on its first genus."""
    caution = replace(mind.knowledge.cautions["yew"], taxa=("genus_0001",))
    return replace(table, knowledge=replace(table.knowledge, cautions={"yew": caution}))


def stored_bytes(mind: Mind) -> tuple[int, int]:
    """Bytes of a conversation's JSON and how many claims it holds, after 12 questions were answered (or all that were
    put), now with the first choice and now with the second: the answers fit no plant, so that the talk goes on."""
    talks = Talks(mind, PLACE)
    talks.say("soft short needles")
    for number in range(LONGEST):
        pending = talks.conversations["main"].pending
        if pending is None:
            break
        talks.say(pending.choices[number % 2][0])
    state = talks.conversations["main"]
    return len(json.dumps(to_json(state)).encode()), len(state.tree.claims)


def simulate(seconds: float, seed: int) -> tuple[int, float]:
    """Turns of trial finders with the shipped table within some seconds, in this process, and the seconds taken."""
    table = build_table(open_mind().knowledge)
    random = np.random.default_rng(seed)
    world = World(in_words=False)
    engine = Engine("ours", table)
    nature = draw_nature(table.knowledge, world.place, random)
    turns, start = 0, time.perf_counter()
    while time.perf_counter() - start < seconds:
        finder = draw_finder(table.knowledge, nature, world, random)
        held = talk_of(engine, finder, first_claims(finder, table.knowledge, None, world))
        turns += 1 + len(held.asked)
    return turns, time.perf_counter() - start


def turns_a_minute(seconds: float) -> float:
    """Simulated turns a minute of all processes together."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=context) as pool:
        jobs = [pool.submit(simulate, seconds, seed) for seed in range(PROCESSES)]
        return sum(turns / took * 60 for turns, took in (job.result() for job in jobs))


def rows(mind: Mind, full: bool) -> Iterator[Row]:
    turns = 400 if full else 60
    start = time.perf_counter()
    table = build_table(mind.knowledge)
    shipped = f"{len(table.taxa)} x {len(table.characters)} shipped"
    yield measure(shipped, table, time.perf_counter() - start, turns)
    for taxa, characters in SIZES if full else QUICK:
        start = time.perf_counter()
        table = synthetic_table(mind.knowledge, taxa, characters, seed=1)
        build = time.perf_counter() - start
        yield measure(f"{taxa:,} x {characters}", table, build, turns)
        if full and (taxa, characters) == (10_000, 200):
            yield measure(f"{taxa:,} x {characters} watched", watched(table, mind), build, turns)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true", help="all sizes, 400 turns each (a minute)")
    full = parser.parse_args().full
    mind = open_mind()
    print(HEAD)
    for row in rows(mind, full):
        print(row.text(), flush=True)
    print("targets: shipped p50 <= 0.5 ms; 10,000 x 200: p99 <= 15 ms, ratio99 <= 3")
    size, claims = stored_bytes(mind)
    print(f"a stored conversation after {claims} claims: {size:,} bytes (target < 10,000)")
    rate = turns_a_minute(20.0 if full else 3.0)
    print(f"simulated turns a minute, {PROCESSES} processes: {rate:,.0f} (target 100,000)")


if __name__ == "__main__":
    main()
