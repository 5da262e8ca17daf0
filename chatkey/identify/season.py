"""The time of year: what some plants show only for a season tells more or less of them by the month."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from chatkey.identify.evidence import Reading
from chatkey.identify.table import Array, Labels, Table, depends


@dataclass(frozen=True, slots=True, eq=False)
class _Swing:
    """A character of which some taxa show one state for a season. `usual` and `now` (K, S): P(state | taxon)."""

    character: str
    rows: Labels  # (K,): those taxa
    usual: Array
    now: Array
    needed: Array  # (S,): 1 for the states in which what depends on the character can be seen


def seasonal(table: Table, prior: Array, said: Sequence[Reading], month: int | None) -> Array:
    """The prior (T + 1,) with P(what was seen | taxon, month) in place of P(what was seen | taxon), for the taxa that
    show it only for a season: leaves described in January speak against a larch, none in July too.

    Leaves were seen also where something of them was described. The result sums to one.
    """
    if month is None:
        return prior
    factor = np.ones(len(prior))
    for swing in _swings(table, month):
        heard = _heard(table, swing, said)
        if heard is not None:
            factor[swing.rows] *= (swing.now @ heard) / (swing.usual @ heard)
    weighed = prior * factor
    return np.asarray(weighed / weighed.sum())


def _heard(table: Table, swing: _Swing, said: Sequence[Reading]) -> Array | None:
    """P(what was heard | state), (S,): of the character itself, or as what depends on it was seen; None for neither."""
    own = next((reading.heard for reading in said if reading.character == swing.character), None)
    if own is not None:
        return own
    waits = depends(table)[:, table.order[swing.character]]
    seen = any(
        waits[table.order[reading.character]] and not all(claim.negated for claim in reading.claims) for reading in said
    )
    return swing.needed if seen else None


@lru_cache(maxsize=32)
def _swings(table: Table, month: int) -> tuple[_Swing, ...]:
    mixture = table.knowledge.numbers["evidence"]["mixture"]
    found = []
    for name, character in table.knowledge.characters.items():
        for state, shares in character.by_month.items():
            k, size = character.states.index(state), len(character.states)
            own = (table.frequency[:, table.columns[name]] - mixture / size) / (1 - mixture)
            rows = np.flatnonzero((own[:, k] > mixture) & (own[:, k] < 1 - mixture))
            shown = own[rows]
            now = shown * ((1 - shares[month - 1]) / (1 - shown[:, [k]]))
            now[:, k] = shares[month - 1]
            usual, now = ((1 - mixture) * each + mixture / size for each in (shown, now))
            found.append(_Swing(name, rows, usual, now, _needed(table, name)))
    return tuple(found)


def _needed(table: Table, name: str) -> Array:
    wanted = {
        state
        for character in table.knowledge.characters.values()
        for parent, states in character.only_if.items()
        if parent == name
        for state in states
    }
    return np.array([float(state in wanted) for state in table.knowledge.characters[name].states])
