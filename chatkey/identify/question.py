"""How much each question would tell: about which plant it is, and about what it means here."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import get_args

import numpy as np

from chatkey.identify.posterior import Belief
from chatkey.identify.table import Array, Labels, Table, labels
from chatkey.knowledge.status import listings_for, status_in
from chatkey.terms import Place, Status

STATUSES: tuple[Status, ...] = get_args(Status)
DANGER = 2  # urgency up to which a caution changes what a finder will do
SPARED = 1e-4  # probability of all taxa together that are left out where few are left of many
UNDECIDED = (0.1, 0.8)  # chance that a character applies between which that is worth finding out


def gains(belief: Belief, place: Place | None = None) -> Array:
    """Expected information of asking each character, in bits of what the finder will do. Shape (C,).

    I(class; heard) + w · I(deed; heard), times the chance of an answer other than "can't tell" and the chance
    that the character applies. Cover & Thomas, Elements of Information Theory, 2.4.
    """
    table = belief.table
    weight = table.knowledge.numbers["asking"]["deed_share"]
    kinds = [table.alike] if place is None else [table.alike, deeds(table, place.code)]
    bits = informations(belief, kinds)
    gain = bits[0] + weight * bits[1] if len(bits) > 1 else bits[0]
    return np.asarray(gain * (1 - cant_tell(table)) * applicability(belief))


def information(belief: Belief, classes: Labels) -> Array:
    """I(class; heard) of each character, in bits. Shapes (T,) -> (C,). Something else is left out of the sum."""
    return informations(belief, [classes])[0]


def informations(belief: Belief, partitions: Sequence[Labels]) -> list[Array]:
    """I(class; heard) of each character under each partition of the taxa, in bits. Shapes [(T,)] -> [(C,)].

    One matrix product for all: the answers that each class of two or more taxa is expected to give. A taxon that is
    a class of its own needs none, for its Σ h ln h is kept in the table.
    """
    table = belief.table
    p = belief.probability / max(belief.probability.sum(), 1e-300)
    rows = survivors(p)
    if rows is not None:
        p, heard, entropies = p[rows], table.heard[rows], table.information[rows]
        partitions = [classes[rows] for classes in partitions]
    else:
        heard, entropies = table.heard, table.information
    weights, shares, alone = [p], [], []
    for classes in partitions:
        mass = np.bincount(classes, weights=p)
        size = np.bincount(classes)
        own = size[classes] == 1
        lumps = [k for k in np.flatnonzero(size > 1) if mass[k] > 1e-12]
        weights += [np.where(classes == k, p, 0.0) for k in lumps]
        shares.append(mass[lumps])
        alone.append(own)
    told = (np.asarray(weights, dtype=np.float32) @ heard).astype(np.float64)  # (1 + K, A)
    told = np.maximum(told, 1e-300)
    surprise = told * np.log(told)
    found, start = [], 1
    for share, own in zip(shares, alone, strict=True):
        stop = start + len(share)
        joint = (surprise[start:stop] - told[start:stop] * np.log(share)[:, None]).sum(axis=0) - surprise[0]  # (A,)
        nats = np.add.reduceat(joint, table.starts)
        if own.any():
            nats = nats + (p * own).astype(np.float32) @ entropies
        found.append(np.maximum(nats / np.log(2), 0.0))
        start = stop
    return found


def survivors(probability: Array) -> Labels | None:
    """The rows that are left of many: without those that all together hold less than `SPARED`. None where it would
    hardly save anything."""
    rows = np.flatnonzero(probability > SPARED / len(probability))
    return rows if len(rows) < len(probability) / 4 else None


def applicability(belief: Belief) -> Array:
    """Chance that each character applies. Shape (C,)."""
    p = belief.probability / max(belief.probability.sum(), 1e-300)
    return np.asarray(p.astype(np.float32) @ belief.table.applies, dtype=np.float64)


def opening(belief: Belief) -> Array:
    """How much more a question is worth for the questions it opens. Shape (C,), 1 and up.

    A character on which others depend ("needles or scales?") settles whether those can be asked at all; one step of
    looking ahead does not see that.
    """
    table = belief.table
    applies = applicability(belief)
    undecided = (applies > UNDECIDED[0]) & (applies < UNDECIDED[1])
    return np.asarray(1 + table.knowledge.numbers["asking"]["opens"] * (undecided @ depends(table)) / len(applies))


@lru_cache(maxsize=8)
def depends(table: Table) -> Array:
    """(C, C): 1 where the row's character depends on the column's, directly or through another."""
    names = list(table.characters)
    matrix = np.zeros((len(names), len(names)))
    for row, name in enumerate(names):
        waiting = list(table.knowledge.characters[name].only_if)
        while waiting:
            parent = waiting.pop()
            matrix[row, names.index(parent)] = 1
            waiting += table.knowledge.characters[parent].only_if
    return matrix


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
