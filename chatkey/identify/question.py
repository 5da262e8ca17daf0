"""How much each question would tell: about which plant it is, and about what it means here."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from chatkey.identify.posterior import Belief
from chatkey.identify.table import Array, Table
from chatkey.knowledge.status import status_in
from chatkey.terms import Place

UNDECIDED = (0.1, 0.8)  # chance that a character applies between which that is worth finding out


def gains(belief: Belief, place: Place | None = None) -> Array:
    """Expected information of asking each character, in bits of what the finder will do. Shape (C,).

    I(class; heard) + w · I(status; heard), times the chance of an answer other than "can't tell" and the chance
    that the character applies. Cover & Thomas, Elements of Information Theory, 2.4.
    """
    table = belief.table
    numbers = table.knowledge.numbers
    gain = information(belief, table.alike)
    if place is not None:
        gain = gain + numbers["asking"]["status_share"] * information(belief, status_classes(table, place.code))
    return np.asarray(gain * (1 - cant_tell(table)) * applicability(belief))


def information(belief: Belief, classes: Array) -> Array:
    """I(class; heard) of each character, in bits. Shapes (T, K) -> (C,). Something else is left out of the sum."""
    table = belief.table
    p = belief.probability / max(belief.probability.sum(), 1e-300)
    marginal = p @ table.heard  # (N,)
    own = classes[:, classes.sum(axis=0) == 1]
    alone = own.sum(axis=1) > 0
    conditional = (p * alone) @ table.information  # (N,): taxa that are a class of their own
    for k in np.flatnonzero(classes.sum(axis=0) > 1):
        weights = p * classes[:, k]
        share = weights.sum()
        if share > 1e-12:
            joint = weights @ table.heard  # (N,)
            conditional = conditional + joint * np.log(np.maximum(joint / share, 1e-300))
    bits = (conditional - marginal * np.log(np.maximum(marginal, 1e-300))) / np.log(2)
    starts = [table.columns[name].start for name in table.characters]
    return np.maximum(np.add.reduceat(bits, starts), 0.0)


def applicability(belief: Belief) -> Array:
    """Chance that each character applies. Shape (C,)."""
    return np.asarray(belief.probability @ belief.table.applies / max(belief.probability.sum(), 1e-300))


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
def status_classes(table: Table, code: str) -> Array:
    """(T, 4): which status each taxon has in the region `code`."""
    order = ("native", "introduced", "not recorded", "unknown")
    matrix = np.zeros((len(table.taxa), len(order)))
    for t, taxon in enumerate(table.taxa):
        matrix[t, order.index(status_in(table.knowledge, table.knowledge.taxa[taxon], code))] = 1
    matrix.setflags(write=False)
    return matrix
