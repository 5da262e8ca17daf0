"""How often each taxon is met in a place, wild and planted, and what that makes of what is said of where it stands."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from chatkey.identify.evidence import Reading, likelihood
from chatkey.identify.table import Array, Table
from chatkey.knowledge.model import Knowledge, Taxon
from chatkey.knowledge.status import status_in

LEAST_MET = 1e-6


@lru_cache(maxsize=512)
def prior_of(table: Table, code: str) -> Array:
    """P(taxon | region `code`), with something else last. Shape (T + 1,). Wild and planted weights add up."""
    knowledge = table.knowledge
    numbers = knowledge.numbers["prior"]
    wild, planted = met(table, code)
    weights = np.maximum(wild + planted, LEAST_MET) ** numbers["trust"]
    weights *= (1 - numbers["something_else"]) / weights.sum()
    prior = np.append(weights, numbers["something_else"])
    prior.setflags(write=False)
    return prior


@lru_cache(maxsize=512)
def met(table: Table, code: str) -> tuple[Array, Array]:
    """How often each taxon is met wild, and planted, in the region `code` ("": nowhere in particular). Shapes (T,)."""
    knowledge = table.knowledge
    numbers = knowledge.numbers["prior"]
    taxa = [knowledge.taxa[taxon] for taxon in table.taxa]
    kind = np.array([1.0 if taxon.conifer else numbers["not_conifer"] for taxon in taxa])
    wild = kind * np.array([_wild_weight(knowledge, taxon, code) for taxon in taxa])
    planted = kind * np.array([knowledge.numbers["met_planted"][taxon.planted] for taxon in taxa])
    return wild, planted


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


def placed(table: Table, prior: Array, said: Sequence[Reading], code: str) -> Array:
    """The prior (T + 1,), weighed by what was said of where the plant stands as a whole, beyond what each answer says
    by itself: whether it is wild or planted is one thing behind them all, and in each region another.

    A wild plant stands on the ground that its taxon wants, a planted one on any. For each taxon the sum over wild and
    planted of P(wild or not | taxon, region) · Π P(answer | taxon, wild or not), over the product of the table's own
    likelihoods. The result sums to one.
    """
    characters = table.knowledge.characters
    about = [
        reading
        for reading in said
        if characters[reading.character].wild_only or characters[reading.character].derive == "met"
    ]
    if not about:
        return prior
    mixture = table.knowledge.numbers["evidence"]["mixture"]
    wild, planted = met(table, code)
    wild, planted = wild + LEAST_MET, planted + LEAST_MET
    total, alone = wild + planted, np.ones(len(table.taxa))
    for reading in about:
        own = likelihood(table, reading)
        if characters[reading.character].derive == "met":
            states = characters[reading.character].states
            heard = (1 - mixture) * reading.heard + mixture * reading.heard.mean()
            wild, planted = wild * heard[states.index("wild")], planted * heard[states.index("planted")]
        else:
            wild, planted = wild * own, planted * own.mean()
        alone = alone * own
    weighed = prior * np.append((wild + planted) / total / alone, 1.0)
    return np.asarray(weighed / weighed.sum())
