"""How much answers of one family of evidence repeat each other, fitted on simulated finders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from chatkey.identify import Table
from chatkey.identify.evidence import readings
from chatkey.identify.posterior import discounts, log_rows
from chatkey.identify.prior import placed, prior_of
from chatkey.identify.table import Array
from chatkey.trial.finders import World, draw_finder, furnished
from chatkey.trial.nature import draw_nature

TOLD = 14  # characters that each finder judges
SHARES = np.linspace(0.0, 1.0, 11)
POWERS = np.linspace(0.7, 1.6, 10)
ROUNDS = 2
LEAST_PAIRS = 50  # finders in whom a family spoke twice, below which it keeps the number for all
WORLD_OF = 50  # finders who share a world


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    prior: Array  # (T + 1,), ln
    rows: Array  # (R, T + 1), ln
    families: tuple[str, ...]
    truth: int


def fit(table: Table, world: World, finders: int, seed: int = 1) -> tuple[float, dict[str, float]]:
    """The sharpness and the discount of each family ("other" for those seldom heard twice) under which the true taxa
    have the greatest mean ln probability: the logarithmic score, Good 1952 (J. R. Stat. Soc. B 14:107).

    Coordinate by coordinate over a grid; each family once `LEAST_PAIRS` finders told two of its characters.
    """
    cases = _cases(table, world, finders, seed)
    often = [
        family
        for family in sorted({family for case in cases for family in case.families})
        if sum(case.families.count(family) > 1 for case in cases) >= LEAST_PAIRS
    ]
    sharpness, shares = 1.0, {"other": 0.85}
    for _ in range(ROUNDS):
        sharpness = max(POWERS, key=lambda power: score(cases, float(power), shares))
        for family in ("other", *often):
            shares[family] = max(SHARES, key=lambda share: score(cases, sharpness, {**shares, family: share}))
    return float(sharpness), {family: round(float(share), 2) for family, share in shares.items()}


def score(cases: Sequence[_Case], sharpness: float, shares: dict[str, float]) -> float:
    """Mean ln P(true taxon | all that was told)."""
    total = 0.0
    for case in cases:
        count = {family: case.families.count(family) for family in case.families}
        weight = np.array(
            [
                sharpness * (1 + shares.get(family, shares["other"]) * (count[family] - 1)) / count[family]
                for family in case.families
            ]
        )
        joint = case.prior + weight @ case.rows
        top = joint.max()
        total += joint[case.truth] - top - np.log(np.exp(joint - top).sum())
    return float(total / len(cases))


def _cases(table: Table, world: World, finders: int, seed: int) -> list[_Case]:
    knowledge = table.knowledge
    random = np.random.default_rng((seed, 2_000_003))
    plain = furnished(replace(world, in_words=False), table)
    nature = draw_nature(knowledge, world.place, random)
    cases = []
    for n in range(finders):
        if n % WORLD_OF == 0:
            nature = draw_nature(knowledge, world.place, random, perturbed=world.perturbed)
        finder = draw_finder(knowledge, nature, plain, random)
        told = random.permutation(sorted(finder.looks))[:TOLD]
        answers = [finder.answer(knowledge.characters[str(name)], n) for n, name in enumerate(told, 1)]
        said = readings(table, [claim for claim in answers if claim is not None])
        if not said:
            continue
        code = finder.place.code if finder.place else ""
        prior = placed(table, prior_of(table, code), said, code)
        cases.append(
            _Case(
                np.log(np.maximum(prior, 1e-300)),
                log_rows(table, said, prior) / discounts(table, said)[:, None],
                tuple(knowledge.characters[reading.character].family for reading in said),
                table.rows[finder.taxon],
            )
        )
    return cases
