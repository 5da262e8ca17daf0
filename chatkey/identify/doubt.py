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
    surprise: float = 0.0  # ln odds of a slip by all the other answers, beyond those that this character has anyway
    effect: float = 0.0  # share of the belief that would move if the answer were not counted, 0 to 1


@dataclass(frozen=True, slots=True)
class Separator:
    """A character in which two taxa differ: what each usually shows (a state, or the usual range in mm)."""

    character: str
    first: str | tuple[float, float]
    second: str | tuple[float, float]
    log_odds: float  # expected, natural log, both ways summed


def slips(belief: Belief) -> tuple[Slip, ...]:
    """P(the state shown is none of those said | everything said), likeliest first."""
    if not belief.readings:
        return ()
    pairs = [_wrongness(belief.table, reading) for reading in belief.readings]
    wrong = np.array([one for one, _ in pairs])  # (R, T)
    probability = wrong @ belief.probability + belief.something_else * np.array([unlisted for _, unlisted in pairs])
    usual = wrong @ (belief.prior / belief.prior.sum())  # how often it is one, whatever the plant
    surprise = _log_odds(probability) - _log_odds(usual)
    columns = zip(belief.readings, probability.tolist(), surprise.tolist(), _effects(belief).tolist(), strict=True)
    found = [Slip(reading.character, *values) for reading, *values in columns]
    return tuple(sorted(found, key=lambda slip: -slip.probability))


def _effects(belief: Belief) -> Array:
    """The share of the belief that would move if an answer were not counted, for each. Shape (R,)."""
    now = belief.probability / max(belief.probability.sum(), 1e-300)
    without = belief.probability / np.exp(belief.log_likelihood[:, :-1])  # (R, T)
    without /= np.maximum(without.sum(axis=1, keepdims=True), 1e-300)
    return np.asarray(0.5 * np.abs(now - without).sum(axis=1))


def _log_odds(p: Array) -> Array:
    p = np.clip(p, 1e-9, 1 - 1e-9)
    return np.asarray(np.log(p / (1 - p)))


@lru_cache(maxsize=KEPT)
def _wrongness(table: Table, reading: Reading) -> tuple[Array, float]:
    """P(the state shown is none of those said | what was said of this character), of each taxon, (T,), and of something
    else."""
    agrees = _accepted(table, reading)
    c, part = table.order[reading.character], table.columns[reading.character]
    fits = table.frequency[:, part][:, agrees] @ reading.heard[agrees]  # (T,): heard so, and shown so
    total = table.frequency[:, part] @ reading.heard
    character = table.knowledge.characters[reading.character]
    if character.wild_only:
        fits, total = (table.wild * each + (1 - table.wild) * each.mean() for each in (fits, total))
    lacking = character.lacking in character.states and agrees[character.states.index(character.lacking)]
    denied = all(claim.negated for claim in reading.claims)
    without = 1.0 if denied or character.lacking == "any" or lacking else 0.0
    right = np.where(table.applies[:, c] > 0, fits / total, without)
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
    left, right = table.heard[a].astype(float), table.heard[b].astype(float)
    odds = np.add.reduceat((left - right) * (np.log(left) - np.log(right)), table.starts)  # (C,)
    both = (table.applies[a] > 0) & (table.applies[b] > 0)
    found: list[Separator] = []
    for c in np.argsort(-odds.round(9), kind="stable"):  # what is alike stays in the table's order
        name = table.characters[c]
        if len(found) == most or name in leave_out or table.knowledge.characters[name].effort > 4 or not both[c]:
            continue
        shown = _usual(belief, first, name), _usual(belief, second, name)
        if shown[0] is not None and shown[1] is not None and shown[0] != shown[1]:
            found.append(Separator(name, shown[0], shown[1], float(odds[c])))
    return tuple(found)


def _usual(belief: Belief, taxon: str, name: str) -> str | tuple[float, float] | None:
    if _has_no_cells(belief.table):
        return _usual_of_row(belief.table, taxon, name)
    cell = belief.table.knowledge.taxa[taxon].cells.get(name)
    if cell is None or not cell.applies:
        return None
    if cell.range is not None:
        return cell.range[1], cell.range[2]
    return max(cell.weights, key=lambda state: cell.weights[state])


@lru_cache(maxsize=8)
def _has_no_cells(table: Table) -> bool:
    """Whether the table was not made of cells, but drawn (for a measurement)."""
    return not any(taxon.cells for taxon in table.knowledge.taxa.values())


def _usual_of_row(table: Table, taxon: str, name: str) -> str | tuple[float, float]:
    """What a row of the table says is usual: its most frequent state, or the length (mm) of nine plants in ten."""
    shown = table.frequency[table.row(taxon), table.columns[name]]
    states = table.knowledge.characters[name].states
    if states:
        return states[int(np.argmax(shown))]
    numbers = table.knowledge.numbers
    own = np.maximum(shown - numbers["evidence"]["mixture"] / len(shown), 0.0)
    below = np.append(0.0, np.cumsum(own)) / own.sum()
    tail = (1 - numbers["lengths"]["within_usual"]) / 2
    low, high = np.exp(np.interp([tail, 1 - tail], below, table.edges))
    return float(low), float(high)
