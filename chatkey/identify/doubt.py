"""Which past answer was likeliest a slip, and what would set two leaders apart."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chatkey.identify.evidence import KEPT, Reading
from chatkey.identify.posterior import Belief
from chatkey.identify.table import Array, Table

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
    wrong, of_unlisted = _wrongness(belief.table, belief.readings[r])
    return float(belief.probability @ wrong) + belief.something_else * of_unlisted


@lru_cache(maxsize=KEPT)
def _wrongness(table: Table, reading: Reading) -> tuple[Array, float]:
    """P(the state shown is none of those said | what was said of this character), of each taxon, (T,), and of something
    else."""
    agrees = _accepted(table, reading)
    c, part = table.order[reading.character], table.columns[reading.character]
    fits = table.frequency[:, part][:, agrees] @ reading.heard[agrees]  # (T,): heard so, and shown so
    character = table.knowledge.characters[reading.character]
    lacking = character.lacking in character.states and agrees[character.states.index(character.lacking)]
    denied = all(claim.negated for claim in reading.claims)
    without = 1.0 if denied or character.lacking == "any" or lacking else 0.0
    right = np.where(table.applies[:, c] > 0, fits / (table.frequency[:, part] @ reading.heard), without)
    return 1 - right, float(reading.heard[~agrees].sum() / reading.heard.sum())


def _accepted(table: Table, reading: Reading) -> NDArray[np.bool_]:
    """(S,): which true states agree with what was said: those named and not denied, by the first reader where
    readers differ; of a length, the bins from which it is heard at least `AGREES` as often as from the best."""
    character = table.knowledge.characters[reading.character]
    if character.kind == "length":
        return np.asarray(reading.heard >= AGREES * reading.heard.max())
    agrees = np.ones(len(character.states), dtype=bool)
    for claim in reading.claims:
        named = np.array([(state in claim.states) != claim.negated for state in character.states])
        if (agrees & named).any():
            agrees &= named
    return agrees


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
        part = table.options[name]
        left, right = table.heard[a, part].astype(float), table.heard[b, part].astype(float)
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
