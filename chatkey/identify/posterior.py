"""Prior and posterior over taxa and "something else"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from chatkey.identify.evidence import Reading, likelihood, readings
from chatkey.identify.table import Array, Table
from chatkey.knowledge.model import Knowledge, Taxon
from chatkey.knowledge.status import status_in
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
        wanted = set(taxa)
        return float(sum(p for taxon, p in zip(self.table.taxa, self.probability, strict=True) if taxon in wanted))

    def ranked(self) -> list[tuple[str, float]]:
        """Leaves with their probabilities, best first."""
        order = np.argsort(-self.probability, kind="stable")
        return [(self.table.taxa[t], float(self.probability[t])) for t in order]


def believe(table: Table, claims: Sequence[Claim], place: Place | None = None) -> Belief:
    """P(taxon | claims, place). The order of the claims of different characters does not matter."""
    said = readings(table, claims)
    prior = prior_of(table, place.code if place else "")
    else_prior = table.knowledge.numbers["prior"]["something_else"]
    log_likelihood = _log_likelihoods(table, said, prior[:-1] / (1 - else_prior))
    log_joint = np.log(np.maximum(prior, 1e-300)) + log_likelihood.sum(axis=0)
    weight = np.exp(log_joint - log_joint.max())
    weight /= weight.sum()
    return Belief(table, said, prior[:-1], log_likelihood, weight[:-1], float(weight[-1]))


@lru_cache(maxsize=512)
def prior_of(table: Table, code: str) -> Array:
    """P(taxon | region `code`), with something else last. Shape (T + 1,). Wild and planted weights add up."""
    knowledge = table.knowledge
    numbers = knowledge.numbers["prior"]
    weights = np.array([_weight(knowledge, knowledge.taxa[taxon], code) for taxon in table.taxa])
    weights *= (1 - numbers["something_else"]) / weights.sum()
    prior = np.append(weights, numbers["something_else"])
    prior.setflags(write=False)
    return prior


def _weight(knowledge: Knowledge, taxon: Taxon, code: str) -> float:
    numbers = knowledge.numbers["prior"]
    wild = _wild_weight(knowledge, taxon, code)
    planted = knowledge.numbers["met_planted"][taxon.planted]
    kind = 1.0 if taxon.conifer else numbers["not_conifer"]
    return max(kind * (wild + planted), 1e-6)


def _wild_weight(knowledge: Knowledge, taxon: Taxon, code: str) -> float:
    numbers = knowledge.numbers["prior"]
    common = knowledge.numbers["met_wild"][taxon.wild]
    if code not in knowledge.regions:
        eastern = any(knowledge.regions[code].side == "east" for code in taxon.range.native)
        return numbers["no_place_wild"] * common if eastern else numbers["elsewhere"]
    status = status_in(knowledge, taxon, code)
    if status == "native":
        return common
    if status == "introduced":
        recorded = code in taxon.range.introduced
        return numbers["introduced_wild"] * common if recorded else numbers["elsewhere"]
    return numbers["unknown_wild"] * common if status == "unknown" else numbers["elsewhere"]


def _log_likelihoods(table: Table, said: tuple[Reading, ...], prior: Array) -> Array:
    """ln L of each reading under each taxon and, last, something else. Shape (R, T + 1).

    Something else: half the prior-weighted mean over the taxa, half uniform over the states.
    Within a family of evidence each answer after the first counts a little less; spread evenly, so that order
    does not matter.
    """
    if not said:
        return np.zeros((0, len(table.taxa) + 1))
    rows = []
    for reading in said:
        known = likelihood(table, reading)
        unknown = 0.5 * float(prior @ known) + 0.5 * float(reading.heard.mean())
        rows.append(np.log(np.append(known, unknown)))
    families = [table.knowledge.characters[reading.character].family for reading in said]
    discount = table.knowledge.numbers["evidence"]["family_discount"]
    shares = []
    for family in families:
        n = families.count(family)
        shares.append((1 + discount * (n - 1)) / n)
    return np.asarray(np.array(rows) * np.array(shares)[:, None])
