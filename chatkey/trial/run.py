"""A trial: many finders, several engines, the same plants and answers for each; in blocks, side by side."""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from chatkey.identify import Table, build_table
from chatkey.knowledge.model import Knowledge
from chatkey.trial.engines import Engine, hold, our_engines
from chatkey.trial.finders import World, draw_finder, furnished
from chatkey.trial.informed import informed
from chatkey.trial.nature import draw_nature
from chatkey.trial.outcome import Figures, Outcome, auc, figures
from chatkey.trial.rivals import Rivals, train
from chatkey.trial.unlisted import Unlisted
from chatkey.trial.words import first_claims
from chatkey.understand import Lexicon, build_lexicon

BLOCK = 50  # finders who share one world; a block is the unit of parallel work
RIVAL_NAMES = ("key", "tree", "bayes")
INFORMED = "informed"


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """What came of it: the talks of each engine, finder by finder in the same order."""

    world: World
    seed: int
    outcomes: Mapping[str, tuple[Outcome, ...]]
    table: Table
    unlisted: Unlisted | None = None  # of plants that were taken out of the knowledge, where that was tried

    @property
    def figures(self) -> dict[str, Figures]:
        """The means of each engine."""
        sure = self.table.knowledge.numbers["answer"]["sure"]
        return {name: figures(talks, sure) for name, talks in self.outcomes.items()}

    @property
    def slip_auc(self) -> float:
        """How well slips are found among past answers, over all of our talks. NaN where there were none."""
        talks = self.outcomes.get("ours", ())
        return auc([doubt for talk in talks for doubt in talk.slips])

    @property
    def bounds(self) -> dict[str, float]:
        """What a perfect finder would need, and one who slips, by yes-or-no questions."""
        return bounds(len(self.table.taxa), self.world.slips)


def bounds(taxa: int, slips: float) -> dict[str, float]:
    """`bits`: log2 of the taxa. `questions`: bits over the capacity 1 − H(p) of a binary symmetric channel.

    Cover & Thomas, Elements of Information Theory, 7.1.4 and 7.12.
    """
    bits = math.log2(taxa)
    capacity = 1 - binary_entropy(slips)
    return {"bits": bits, "questions": bits / capacity if capacity > 0 else math.inf}


def binary_entropy(p: float) -> float:
    """H(p) in bits, for p from 0 to 1."""
    return 0.0 if p in (0.0, 1.0) else -p * math.log2(p) - (1 - p) * math.log2(1 - p)


@dataclass(slots=True)
class _Worker:
    table: Table
    lexicon: Lexicon | None
    engines: Mapping[str, Engine]
    rivals: Rivals | None = None
    names: tuple[str, ...] = field(default=())


def run_trial(
    table: Table,
    lexicon: Lexicon | None,
    world: World,
    finders: int,
    seed: int = 1,
    engines: Sequence[str] = ("ours",),
    workers: int = 1,
    progress: Callable[[int], None] = lambda done: None,
) -> Trial:
    """Holds `finders` talks with each engine. The same seed gives the same talks, whatever the number of workers.

    `progress` hears how many finders are done. Raises ValueError for an engine that is not known.
    """
    names = tuple(engines)
    unknown = set(names) - set(all_engines(table))
    if unknown or finders < 1:
        raise ValueError(f"no such engine: {sorted(unknown)}" if unknown else "at least one finder is needed")
    world = furnished(world, table)
    rivals = train(table, world, seed, names) if set(names) & set(RIVAL_NAMES) else None
    lexicon = lexicon if world.in_words else None
    worker = _Worker(table, lexicon, our_engines(table, world.channel), rivals, names)
    sizes = [min(BLOCK, finders - start) for start in range(0, finders, BLOCK)]
    found: dict[str, list[Outcome]] = {name: [] for name in names}
    done = 0
    for size, block in zip(sizes, _blocks(worker, world, sizes, seed, workers), strict=True):
        for name in names:
            found[name] += block[name]
        done += size
        progress(done)
    return Trial(world, seed, {name: tuple(talks) for name, talks in found.items()}, table)


def all_engines(table: Table) -> tuple[str, ...]:
    """Ours, the rivals, ours without each part, and ours that knows the world, in the order in which they are shown."""
    ours, random_order, *without = our_engines(table)
    return (ours, *RIVAL_NAMES, random_order, *without, INFORMED)


def trial_figures(knowledge: Knowledge, finders: int, seed: int = 1) -> Mapping[str, float]:
    """Species, top3, genus, questions and calibration error of ours on a knowledge: the effect of a changed number."""
    from chatkey.trial.outcome import as_json

    trial = run_trial(build_table(knowledge), build_lexicon(knowledge), World(), finders, seed)
    return as_json(trial.figures["ours"])


def _blocks(
    worker: _Worker, world: World, sizes: Sequence[int], seed: int, workers: int
) -> Iterator[dict[str, list[Outcome]]]:
    jobs = [(world, size, seed, number) for number, size in enumerate(sizes)]
    if workers <= 1 or len(jobs) == 1:
        for job in jobs:
            yield _block(worker, job)
        return
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # each process has one core
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_begin, initargs=(worker,)) as pool:
        yield from pool.map(_block_there, jobs)


_there: list[_Worker] = []  # what a process of the pool works with


def _begin(worker: _Worker) -> None:
    _there[:] = [worker]


def _block_there(job: tuple[World, int, int, int]) -> dict[str, list[Outcome]]:
    return _block(_there[0], job)


def _block(worker: _Worker, job: tuple[World, int, int, int]) -> dict[str, list[Outcome]]:
    """The talks of one block of finders, by engine."""
    world, size, seed, number = job
    knowledge = worker.table.knowledge
    random = np.random.default_rng((seed, number))
    nature = draw_nature(knowledge, world.place, random, perturbed=world.perturbed)
    engines = dict(worker.engines)
    if INFORMED in worker.names:
        engines[INFORMED] = informed(worker.table, nature, world)
    found: dict[str, list[Outcome]] = {name: [] for name in worker.names}
    for _ in range(size):
        finder = draw_finder(knowledge, nature, world, random)
        first = first_claims(finder, knowledge, worker.lexicon, world)
        chance = int(random.integers(2**32))
        for name in worker.names:
            if worker.rivals is not None and name in RIVAL_NAMES:
                found[name].append(worker.rivals.hold(name, finder, first))
            else:
                found[name].append(hold(engines[name], finder, first, np.random.default_rng(chance)))
    return found
