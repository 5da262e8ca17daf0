"""The lowest rank that is sure enough to be said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np

from chatkey.identify.posterior import Belief
from chatkey.identify.table import Array, Table
from chatkey.knowledge.model import Knowledge
from chatkey.knowledge.status import status_in
from chatkey.terms import Place, Status

AnswerRank = Literal["species", "group", "genus", "family", "not_conifer"]
RANKS: tuple[AnswerRank, ...] = get_args(AnswerRank)
Rung = tuple[str, AnswerRank, tuple[str, ...]]  # id, rank and leaves


@dataclass(frozen=True, slots=True)
class Answer:
    """A taxon, a group or `not_conifer`, with its summed probability and the leaves it stands for."""

    id: str
    rank: AnswerRank
    probability: float
    members: tuple[str, ...]


def best_answer(belief: Belief) -> Answer | None:
    """The lowest of species, group, genus, family, not_conifer that reaches the threshold; None where none does."""
    threshold = belief.table.knowledge.numbers["answer"]["say"]
    names, held = sayable(belief.table)
    for (id, rank, members), probability in zip(names, held @ belief.probability, strict=True):
        if probability >= threshold:
            return Answer(id, rank, float(probability), members)
    return None


@lru_cache(maxsize=8)
def sayable(table: Table) -> tuple[tuple[Rung, ...], Array]:
    """All that can be said, lowest rank first and small before large, and which leaves each holds: (K, T)."""
    found = {rung[0]: rung for leaf in table.taxa for rung in ladder(table.knowledge, leaf)}
    order = sorted(found.values(), key=lambda rung: (RANKS.index(rung[1]), len(rung[2])))
    return tuple(order), np.array([[float(taxon in members) for taxon in table.taxa] for _, _, members in order])


def ladder(knowledge: Knowledge, leaf: str) -> Iterator[Rung]:
    """The sets that hold a leaf, lowest rank first: itself, its groups (small before large), its genus, family …"""
    yield leaf, "species", (leaf,)
    groups = [group for group in knowledge.groups.values() if leaf in group.members]
    for group in sorted(groups, key=lambda group: len(group.members)):
        yield group.id, "group", group.members
    for ancestor in knowledge.lineage(leaf)[1:]:
        rank = knowledge.taxa[ancestor].rank
        if rank in ("genus", "family"):
            yield ancestor, ("genus" if rank == "genus" else "family"), leaves_of(knowledge, ancestor)
    if not knowledge.taxa[leaf].conifer:
        yield "not_conifer", "not_conifer", tuple(id for id in knowledge.leaves if not knowledge.taxa[id].conifer)


def leaves_of(knowledge: Knowledge, id: str) -> tuple[str, ...]:
    """The leaves under a taxon, or the members of a group; of `not_conifer`, all that are none."""
    if id in knowledge.groups:
        return knowledge.groups[id].members
    if id == "not_conifer":
        return tuple(leaf for leaf in knowledge.leaves if not knowledge.taxa[leaf].conifer)
    return tuple(leaf for leaf in knowledge.leaves if id in knowledge.lineage(leaf))


def status_share(belief: Belief, place: Place, members: tuple[str, ...] = ()) -> dict[Status, float]:
    """Share of the leaves' mass (or of some members') by status in a place. Sums to one."""
    knowledge = belief.table.knowledge
    shares: dict[Status, float] = {}
    for taxon, probability in zip(belief.table.taxa, belief.probability, strict=True):
        if not members or taxon in members:
            status = status_in(knowledge, knowledge.taxa[taxon], place.code)
            shares[status] = shares.get(status, 0.0) + float(probability)
    total = sum(shares.values()) or 1.0
    return {status: share / total for status, share in shares.items()}
