"""Prior and posterior over taxa and "something else"."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from chatkey.identify.evidence import KEPT, Reading, likelihood, readings
from chatkey.identify.prior import placed, prior_of
from chatkey.identify.season import seasonal
from chatkey.identify.table import Array, Labels, Table
from chatkey.terms import Claim, Place


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is believed after some claims. `probability` (T,) and `something_else` sum to one."""

    table: Table
    readings: tuple[Reading, ...]
    prior: Array  # (T,), with something_else summing to one
    log_likelihood: Array  # (R, T + 1) per reading, discounted; the last column is something else
    probability: Array  # (T,)
    something_else: float

    def of(self, taxa: Sequence[str]) -> float:
        """Summed probability of some leaves."""
        return float(self.probability[[self.table.rows[taxon] for taxon in taxa if taxon in self.table.rows]].sum())

    def ranked(self, most: int | None = None) -> list[tuple[str, float]]:
        """Leaves with their probabilities, best first; the best `most` of them."""
        return [(self.table.taxa[t], float(self.probability[t])) for t in best_rows(self.probability, most)]


def best_rows(probability: Array, most: int | None = None) -> Labels:
    """The rows of the greatest probabilities, best first, the earlier row first where two are equal."""
    if most is None or most >= len(probability):
        return np.argsort(-probability, kind="stable")
    least = np.partition(probability, -most)[-most]
    rows = np.flatnonzero(probability >= least)
    return rows[np.argsort(-probability[rows], kind="stable")][:most]


def believe(table: Table, claims: Sequence[Claim], place: Place | None = None, month: int | None = None) -> Belief:
    """P(taxon | claims, place, month). The order of the claims of different characters does not matter. `month` (1 to
    12): in which the plant was seen; None where nobody knows."""
    said = readings(table, claims)
    code = place.code if place else ""
    prior = seasonal(table, placed(table, prior_of(table, code), said, code), said, month)
    log_likelihood = log_rows(table, said, prior)
    weight = joint_weights(prior, log_likelihood)
    return Belief(table, said, prior[:-1], log_likelihood, weight[:-1], float(weight[-1]))


def joint_weights(prior: Array, log_likelihood: Array) -> Array:
    """Prior times likelihoods, summing to one. Shapes (T + 1,) and (R, T + 1) -> (T + 1,)."""
    log_joint = np.log(np.maximum(prior, 1e-300)) + log_likelihood.sum(axis=0)
    weight = np.exp(log_joint - log_joint.max())
    return np.asarray(weight / weight.sum())


def log_rows(table: Table, said: Sequence[Reading], prior: Array) -> Array:
    """ln L of each reading under each taxon and, last, something else, discounted. Shape (R, T + 1).

    Something else: half the prior-weighted mean over the taxa, half uniform over the states.
    """
    found = np.empty((len(said), len(prior)))
    taxa, known_share = prior[:-1], 1 - float(prior[-1])
    for row, reading, discount in zip(found, said, discounts(table, said), strict=True):
        logs, uniform = _log_likelihood(table, reading)
        other = 0.5 * float(taxa @ likelihood(table, reading)) / known_share + 0.5 * uniform
        np.multiply(logs, discount, out=row[:-1])
        row[-1] = math.log(other) * discount
    return found


@lru_cache(maxsize=KEPT)
def _log_likelihood(table: Table, reading: Reading) -> tuple[Array, float]:
    """ln of the likelihood, (T,), and the likelihood where all states are alike: each message takes them again for all
    that was said before."""
    return np.log(likelihood(table, reading)), float(reading.heard.mean())


def discounts(table: Table, said: Sequence[Reading]) -> Array:
    """What each reading counts. Shape (R,). Within a family of evidence each answer after the first counts less, by
    the family's own number; spread evenly, so that order does not matter. `power` is for all of them."""
    numbers = table.knowledge.numbers["discount"]
    families = [table.knowledge.characters[reading.character].family for reading in said]
    count = Counter(families)
    rest = numbers["other"]
    louder = power(table, said)
    return np.array(
        [louder * (1 + numbers.get(family, rest) * (count[family] - 1)) / count[family] for family in families]
    )


def power(table: Table, said: Sequence[Reading]) -> float:
    """The power of every likelihood: 1 where one family of evidence has spoken, up to `sharpness` where many agree.

    The errors and the mixture guard against what one answer could do; many answers are guarded so many times over.
    """
    families = {table.knowledge.characters[reading.character].family for reading in said}
    sharpness = table.knowledge.numbers["evidence"]["sharpness"]
    return 1 + (sharpness - 1) * (1 - 1 / len(families)) if families else 1.0
