"""Which past answer was likeliest a slip, and what would set two leaders apart."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chatkey.identify.posterior import Belief

AGREES = 0.3


@dataclass(frozen=True, slots=True)
class Slip:
    """The probability that what was said of a character is not what the plant shows."""

    character: str
    probability: float


@dataclass(frozen=True, slots=True)
class Separator:
    """A character in which two taxa differ: what each usually shows (a state, or the usual range in mm)."""

    character: str
    first: str | tuple[float, float]
    second: str | tuple[float, float]
    log_odds: float  # expected, natural log, both ways summed


def slips(belief: Belief) -> tuple[Slip, ...]:
    """P(the state shown is none of those said | everything said), likeliest first."""
    found = [Slip(reading.character, _slip(belief, r)) for r, reading in enumerate(belief.readings)]
    return tuple(sorted(found, key=lambda slip: -slip.probability))


def _slip(belief: Belief, r: int) -> float:
    reading = belief.readings[r]
    table = belief.table
    frequency = table.frequency[:, table.columns[reading.character]]
    likely = frequency * reading.heard[None, :]  # (T, S)
    accepted = _accepted(belief, r)
    wrong = likely[:, ~accepted].sum(axis=1) / likely.sum(axis=1)
    total = float(belief.probability @ wrong)
    return total + belief.something_else * float(reading.heard[~accepted].sum() / reading.heard.sum())


def _accepted(belief: Belief, r: int) -> NDArray[np.bool_]:
    """(S,): which true states agree with what was said, being heard so at least `AGREES` as often as the best."""
    heard = belief.readings[r].heard
    return np.asarray(heard >= AGREES * heard.max())


def comparison(
    belief: Belief, first: str, second: str, leave_out: Collection[str] = (), most: int = 2
) -> tuple[Separator, ...]:
    """The characters that best separate two leaves, best first: those both can show, in which they usually differ."""
    table = belief.table
    a, b = table.row(first), table.row(second)
    found = []
    for c, name in enumerate(table.characters):
        character = table.knowledge.characters[name]
        if name in leave_out or character.effort > 4 or not (table.applies[a, c] and table.applies[b, c]):
            continue
        part = table.columns[name]
        left, right = table.heard[a, part], table.heard[b, part]
        odds = float(((left - right) * (np.log(left) - np.log(right))).sum())
        shown = _usual(belief, first, name), _usual(belief, second, name)
        if shown[0] is not None and shown[1] is not None and shown[0] != shown[1]:
            found.append(Separator(name, shown[0], shown[1], odds))
    return tuple(sorted(found, key=lambda separator: -separator.log_odds)[:most])


def _usual(belief: Belief, taxon: str, name: str) -> str | tuple[float, float] | None:
    cell = belief.table.knowledge.taxa[taxon].cells.get(name)
    if cell is None or not cell.applies:
        return None
    if cell.range is not None:
        return cell.range[1], cell.range[2]
    return max(cell.weights, key=lambda state: cell.weights[state])
