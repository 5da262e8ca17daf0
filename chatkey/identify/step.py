"""What to do next: ask, look again, compare two, or stop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from chatkey.identify.doubt import Separator, comparison, slips
from chatkey.identify.posterior import Belief
from chatkey.identify.question import applicability, gains, opening, prices
from chatkey.identify.table import Table
from chatkey.identify.yew import YewWatch, best_yew_question
from chatkey.terms import Place

StepKind = Literal["character", "place", "compare", "reask", "done"]


@dataclass(frozen=True, slots=True)
class Asked:
    """A question that was put. `pair` names the two leaves of a comparison."""

    kind: StepKind
    character: str = ""
    pair: tuple[str, str] | None = None
    free: bool = False  # does not count against the budget (yew)
    beside: bool = False  # put in the same message as the one before it


@dataclass(frozen=True, slots=True)
class Budget:
    """What a channel can bear for one tree: so many messages that ask, each with up to so many questions."""

    messages: int
    questions_each: int = 1


@dataclass(frozen=True, slots=True)
class Step:
    kind: StepKind
    character: str = ""
    also: str = ""  # a second character that will be needed whatever is answered to the first: ask both at once
    pair: tuple[str, str] | None = None
    separators: tuple[Separator, ...] = ()
    free: bool = False
    gain_bits: float = 0.0


DONE = Step("done")
RIVALS = 20  # leaders among which a rival of another class is looked for
SURE_SLIP = 0.6  # an answer that is this likely a slip is asked again at once


def next_step(
    belief: Belief,
    asked: Sequence[Asked],
    watch: YewWatch,
    place: Place | None,
    budget: Budget | None = None,
    month: int | None = None,
) -> Step:
    """The next question of a tree, or `done`. Deterministic. `month` (1 to 12) leaves out what can't be judged now."""
    numbers = belief.table.knowledge.numbers
    limit = int(numbers["asking"]["budget"]) if budget is None else budget.messages
    spent = sum(
        question.kind in ("character", "place", "reask") and not question.free and not question.beside
        for question in asked
    )
    put = {question.character for question in asked if question.kind == "character"}
    heard = {reading.character for reading in belief.readings}
    leave_out = put | heard | _ruled_out(belief) | _not_now(belief.table, month)
    if again := _reask(belief, asked, SURE_SLIP):
        return again
    if place is None and len(put) >= 1 and heard and not any(question.kind == "place" for question in asked):
        return Step("place")
    if not _is_sure(belief):
        step = _best_character(belief, leave_out, place) if spent < limit else None
        step = step or _reask(belief, asked, numbers["asking"]["slip"]) or _compare(belief, asked)
        if step:
            return step
    free = sum(question.free for question in asked)
    if watch.holds and watch.probability < numbers["answer"]["say"] and free < numbers["yew"]["questions"]:
        character = best_yew_question(belief, watch, tuple(leave_out))
        if character:
            return Step("character", character, free=True)
    if place is None and heard and not any(question.kind == "place" for question in asked):
        return Step("place")
    return DONE


def _ruled_out(belief: Belief) -> set[str]:
    """Characters whose condition was denied or said to be otherwise: no cone questions where no cone was seen."""
    said: dict[str, set[str]] = {}
    denied: dict[str, set[str]] = {}
    for claim in (claim for reading in belief.readings for claim in reading.claims):
        (denied if claim.negated else said).setdefault(claim.character, set()).update(claim.states)
    found: set[str] = set()
    for name, parent, states in _conditions(belief.table):
        otherwise = parent in said and not said[parent] & states
        if parent in found or otherwise or states <= denied.get(parent, set()):
            found.add(name)
    return found


@lru_cache(maxsize=32)
def _not_now(table: Table, month: int | None) -> frozenset[str]:
    """Characters that can't be judged in this month, and those that are never asked."""
    return frozenset(
        character.id
        for character in table.knowledge.characters.values()
        if character.derive == "context" or (month is not None and character.months and month not in character.months)
    )


@lru_cache(maxsize=8)
def _conditions(table: Table) -> tuple[tuple[str, str, frozenset[str]], ...]:
    """Characters that depend on another, each after what it depends on: name, the other, its wanted states."""
    characters = table.knowledge.characters
    return tuple(
        (name, parent, frozenset(states))
        for name in table.characters
        for parent, states in characters[name].only_if.items()
    )


def _is_sure(belief: Belief) -> bool:
    """One class of taxa that a finder would treat alike is sure."""
    mass = np.bincount(belief.table.alike, weights=belief.probability)
    return float(mass.max()) >= belief.table.knowledge.numbers["answer"]["sure"]


def _best_character(belief: Belief, leave_out: set[str], place: Place | None) -> Step | None:
    numbers = belief.table.knowledge.numbers["asking"]
    table = belief.table
    gain = gains(belief, place)
    worth = gain / prices(table) * opening(belief)
    ready = applicability(belief) >= numbers["applies"]
    for c, name in enumerate(table.characters):
        if name in leave_out or not ready[c] or gain[c] < numbers["least_gain_bits"]:
            worth[c] = 0.0
    best = int(np.argmax(worth))
    return Step("character", table.characters[best], gain_bits=float(gain[best])) if worth[best] > 0 else None


def _reask(belief: Belief, asked: Sequence[Asked], threshold: float) -> Step | None:
    again = {question.character for question in asked if question.kind == "reask"}
    if len(again) >= belief.table.knowledge.numbers["asking"]["reasks"] or len(belief.readings) < 2:
        return None
    for slip in slips(belief):
        if slip.probability >= threshold and slip.character not in again:
            return Step("reask", slip.character)
    return None


def _compare(belief: Belief, asked: Sequence[Asked]) -> Step | None:
    """The two leaders set side by side; once a pair, twice a tree."""
    ranked = belief.ranked(RIVALS)
    (first, _), rest = ranked[0], ranked[1:]
    rival = next(
        ((taxon, p) for taxon, p in rest if _leader_class(belief, taxon) != _leader_class(belief, first)), None
    )
    done = [set(question.pair) for question in asked if question.pair]
    if len(done) >= belief.table.knowledge.numbers["asking"]["comparisons"]:
        return None
    if rival is None or rival[1] < belief.table.knowledge.numbers["asking"]["compare_from"]:
        return None
    pair = (first, rival[0])
    separators = comparison(belief, *pair)
    if set(pair) in done or not separators:
        return None
    return Step("compare", pair=pair, separators=separators)


def _leader_class(belief: Belief, taxon: str) -> int:
    return int(belief.table.alike[belief.table.row(taxon)])
