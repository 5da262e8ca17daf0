"""The lowest rank that is sure enough to be said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np

from chatkey.identify.posterior import Belief
from chatkey.identify.question import STATUSES, statuses
from chatkey.identify.table import Array, Labels, Table
from chatkey.knowledge.model import Knowledge
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
    leader = int(np.argmax(belief.probability))
    if belief.probability[leader] >= threshold:
        leaf = belief.table.taxa[leader]
        return Answer(leaf, "species", float(belief.probability[leader]), (leaf,))
    names, shares = wider(belief)
    for (id, rank, members), probability in zip(names, shares, strict=True):
        if probability >= threshold:
            return Answer(id, rank, float(probability), members)
    return None


def wider(belief: Belief) -> tuple[tuple[Rung, ...], Array]:
    """All that can be said above the species, lowest rank first and small before large, with its probability."""
    names, members, starts = sayable(belief.table)
    return names, np.add.reduceat(belief.probability[members], starts) if names else np.zeros(0)


@lru_cache(maxsize=8)
def sayable(table: Table) -> tuple[tuple[Rung, ...], Labels, Labels]:
    """What can be said above the species, lowest rank first and small before large; the rows of the leaves of each, one
    after the other; and where those of each begin."""
    knowledge = table.knowledge
    children: dict[str, list[str]] = {}
    for leaf in table.taxa:
        for ancestor in knowledge.lineage(leaf):
            children.setdefault(ancestor, []).append(leaf)
    found: list[Rung] = [(group.id, "group", group.members) for group in knowledge.groups.values()]
    for id, leaves in children.items():
        rank = knowledge.taxa[id].rank
        if rank in ("genus", "family") and leaves != [id]:
            found.append((id, "genus" if rank == "genus" else "family", tuple(leaves)))
    others = tuple(leaf for leaf in table.taxa if not knowledge.taxa[leaf].conifer)
    if others:
        found.append(("not_conifer", "not_conifer", others))
    found.sort(key=lambda rung: (RANKS.index(rung[1]), len(rung[2])))
    rows = [[table.rows[leaf] for leaf in members if leaf in table.rows] for _, _, members in found]
    kept = [(rung, inside) for rung, inside in zip(found, rows, strict=True) if inside]
    starts = np.cumsum([0, *(len(inside) for _, inside in kept)])[:-1]
    members = np.array([row for _, inside in kept for row in inside], dtype=np.intp)
    return tuple(rung for rung, _ in kept), members, starts.astype(np.intp)


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
    table = belief.table
    rows = [table.rows[taxon] for taxon in members] if members else slice(None)
    of = statuses(table, place.code)[rows]
    mass = np.bincount(of, weights=belief.probability[rows], minlength=len(STATUSES))
    total = float(mass.sum()) or 1.0
    found = set(of.tolist())
    return {status: float(mass[k]) / total for k, status in enumerate(STATUSES) if k in found}
