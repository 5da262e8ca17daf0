"""How much each question would tell: about which plant it is, and about what it means here."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import get_args

import numpy as np

from chatkey.identify.posterior import Belief
from chatkey.identify.table import Array, Labels, Singles, Table, depends, labels
from chatkey.knowledge.status import listings_for, status_in
from chatkey.terms import Place, Status

STATUSES: tuple[Status, ...] = get_args(Status)
DANGER = 2  # urgency up to which a caution changes what a finder will do
SPARED = 1e-4  # probability of all taxa together that are left out where few are left of many
MANY = 1000  # taxa from which it saves time to leave out a quarter of them; of fewer, three quarters
BLOCK = 128  # plants whose answers are summed at once: they stay in the processor's cache for all classes
NARROW = 32  # answers from which it pays to sum in blocks
UNDECIDED = (0.1, 0.8)  # chance that a character applies between which that is worth finding out


def gains(belief: Belief, place: Place | None = None, applies: Array | None = None) -> Array:
    """Expected information of asking each character, in bits of what the finder will do. Shape (C,).

    I(class; heard) + w · I(deed; heard), times the chance of an answer other than "can't tell" and the chance
    that the character applies (`applicability`, if it was worked out before). Cover & Thomas, Elements of Information
    Theory, 2.4.
    """
    applies = applicability(belief) if applies is None else applies
    return np.asarray(_bits(belief, place) * (1 - cant_tell(belief.table)) * applies)


def gain_of(belief: Belief, place: Place | None, character: int, applies: Array) -> float:
    """The same of one character alone, by its number within C."""
    bits = float(_bits(belief, place, character)[0])
    return bits * float(1 - cant_tell(belief.table)[character]) * float(applies[character])


def _bits(belief: Belief, place: Place | None, only: int | None = None) -> Array:
    table = belief.table
    weight = table.knowledge.numbers["asking"]["deed_share"]
    kinds = [table.alike] if place is None else [table.alike, deeds(table, place.code)]
    bits = informations(belief, kinds, only)
    return bits[0] + weight * bits[1] if len(bits) > 1 else bits[0]


def information(belief: Belief, classes: Labels) -> Array:
    """I(class; heard) of each character, in bits. Shapes (T,) -> (C,). Something else is left out of the sum."""
    return informations(belief, [classes])[0]


def informations(belief: Belief, partitions: Sequence[Labels], only: int | None = None) -> list[Array]:
    """I(class; heard) of each character under each partition of the taxa, in bits. Shapes [(T,)] -> [(C,)], or [(1,)]
    of the character `only`.

    The answers are read once for all: those that each class of two or more taxa is expected to give. A taxon that is
    a class of its own needs none, for its Σ h ln h is kept in the table.
    """
    table = belief.table
    heard, information, starts = table.heard, table.information, table.starts
    if only is not None:
        heard = heard[:, table.options[table.characters[only]]]
        information, starts = information[:, only : only + 1], starts[:1]
    p = belief.probability / max(belief.probability.sum(), 1e-300)
    rows = survivors(p)
    if rows is not None:
        p, partitions = p[rows], [classes[rows] for classes in partitions]
    weights: list[Array] = []
    shares, alone = [], []
    whole = None  # the classes that hold all taxa, where there are such: what they tell sums to what all tell
    for classes in partitions:
        mass = np.bincount(classes, weights=p)
        size = np.bincount(classes)
        own = size[classes] == 1
        lumps = [k for k in np.flatnonzero(size > 1) if mass[k] > 1e-12]
        if whole is None and not own.any():
            whole = slice(len(weights), len(weights) + len(lumps))
        weights += [np.where(classes == k, p, 0.0) for k in lumps]
        shares.append(mass[lumps])
        alone.append(p * own)
    told = _summed(heard, rows, weights if whole else [*weights, p])  # (K, A), or (K + 1, A) with what all tell
    total = told[whole].sum(axis=0) if whole else told[-1]
    kept = _summed(information, rows, alone)  # (P, C)
    surprise, of_all = _times_own_log(told), _times_own_log(total)
    found, start = [], 0
    for share, entropies in zip(shares, kept, strict=True):
        stop = start + len(share)
        joint = (surprise[start:stop] - told[start:stop] * np.log(share)[:, None]).sum(axis=0) - of_all  # (A,)
        nats = np.add.reduceat(joint, starts) + entropies
        found.append(np.maximum(nats / np.log(2), 0.0))
        start = stop
    return found


def _summed(values: Singles, rows: Labels | None, weights: Sequence[Array]) -> Array:
    """Weighted sums of some rows of `values`, or of all. Shapes (T, X), (R,) and W of (R,) -> (W, X)."""
    if len(weights[0]) <= BLOCK or values.shape[1] <= NARROW:
        few = values if rows is None else values[rows]
        return np.asarray(np.asarray(weights, dtype=np.float32) @ few, dtype=np.float64)
    found = np.zeros((len(weights), values.shape[1]))
    used = [(total, weight.astype(np.float32)) for total, weight in zip(found, weights, strict=True) if weight.any()]
    size = BLOCK if len(used) > 1 or rows is not None else len(values)
    for start in range(0, len(weights[0]), size):
        part = slice(start, start + size)
        block = values[part] if rows is None else values.take(rows[part], axis=0)
        for total, weight in used:
            total += weight[part] @ block
    return found


def _times_own_log(mass: Array) -> Array:
    """x ln x of each element, 0 at 0."""
    return np.asarray(mass * np.log(np.maximum(mass, 1e-300)))


def survivors(probability: Array) -> Labels | None:
    """The rows that are left of many: without those that all together hold less than `SPARED`. None where it would
    hardly save anything."""
    rows = np.flatnonzero(probability > SPARED / len(probability))
    share = 3 / 4 if len(probability) >= MANY else 1 / 4
    return rows if len(rows) < len(probability) * share else None


def applicability(belief: Belief) -> Array:
    """Chance that each character applies. Shape (C,)."""
    p = belief.probability / max(belief.probability.sum(), 1e-300)
    some, applies = _conditional(belief.table)
    found = np.ones(len(belief.table.characters))
    found[some] = p.astype(np.float32) @ applies
    return found


@lru_cache(maxsize=8)
def _conditional(table: Table) -> tuple[Labels, Singles]:
    """The characters that do not apply to every taxon, and to which each applies. Shapes (D,) and (T, D)."""
    some = np.flatnonzero((table.applies == 0).any(axis=0))
    return some, np.ascontiguousarray(table.applies[:, some])


def opening(table: Table, applies: Array) -> Array:
    """How much more a question is worth for the questions it opens. Shapes (C,) -> (C,), 1 and up.

    A character on which others depend ("needles or scales?") settles whether those can be asked at all; one step of
    looking ahead does not see that.
    """
    undecided = (applies > UNDECIDED[0]) & (applies < UNDECIDED[1])
    return np.asarray(1 + table.knowledge.numbers["asking"]["opens"] * (undecided @ depends(table)) / len(applies))


@lru_cache(maxsize=8)
def prices(table: Table) -> Array:
    """What each question costs the finder. Shape (C,)."""
    price = table.knowledge.numbers["price"]
    return np.array([price[str(table.knowledge.characters[name].effort)] for name in table.characters])


@lru_cache(maxsize=8)
def cant_tell(table: Table) -> Array:
    """Chance that a question comes back "can't tell". Shape (C,)."""
    share = table.knowledge.numbers["cant_tell"]
    return np.array([share[str(table.knowledge.characters[name].effort)] for name in table.characters])


@lru_cache(maxsize=512)
def statuses(table: Table, code: str) -> Labels:
    """Which status each taxon has in the region `code`, a number into `STATUSES`. Shape (T,)."""
    knowledge = table.knowledge
    found = np.array([STATUSES.index(status_in(knowledge, knowledge.taxa[taxon], code)) for taxon in table.taxa])
    found.setflags(write=False)
    return found


@lru_cache(maxsize=512)
def deeds(table: Table, code: str) -> Labels:
    """What a finder in the region `code` would do about each taxon, as far as it is advised alike: native or not,
    on a list there or not, and which dangers go with it. Shape (T,)."""
    knowledge = table.knowledge
    place = Place(code)
    dangers = [caution for caution in knowledge.cautions.values() if caution.taxa and caution.urgency <= DANGER]
    found = []
    for taxon in table.taxa:
        lineage = set(knowledge.lineage(taxon))
        listed = sorted({listing.kind for listing in listings_for(knowledge, (taxon,), place)})
        warned = [caution.id for caution in dangers if lineage & set(caution.taxa)]
        found.append((status_in(knowledge, knowledge.taxa[taxon], code), *listed, *warned))
    classes = labels(found)
    classes.setflags(write=False)
    return classes
