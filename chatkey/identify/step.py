"""What to do next: ask, look again, compare two, or stop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from chatkey.identify.answer import wider
from chatkey.identify.doubt import Separator, comparison, slips
from chatkey.identify.posterior import Belief
from chatkey.identify.question import applicability, cant_tell, deeds, gain_of, gains, opening, prices
from chatkey.identify.table import Array, Table, depends
from chatkey.identify.yew import YewWatch, best_yew_question
from chatkey.knowledge.model import Knowledge
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


def budget_of(knowledge: Knowledge, *, short: bool) -> Budget:
    """Of a channel with short messages that are typed (SMS), or of a chat."""
    asking = knowledge.numbers["asking"]
    if short:
        return Budget(int(asking["sms_messages"]), int(asking["sms_questions_each"]))
    return Budget(int(asking["budget"]))


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
APART = frozenset({"cone"})  # parts that hang apart from the twig in hand
AT_HAND = "2"  # effort of a question about such a part that is at hand
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
        chance = _chance_of_an_answer(belief, put)
        step = _best_character(belief, leave_out, place, chance) if spent < limit else None
        if step is not None and budget is not None and budget.questions_each > 1:
            step = replace(step, also=_needed_anyway(belief, step.character, leave_out, place, chance))
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
    return float(mass.max()) >= belief.table.knowledge.numbers["asking"]["enough"]


def _chance_of_an_answer(belief: Belief, put: set[str]) -> Array:
    """(C,): the chance of an answer to each question, as a share of the usual one. Where a question about a part came
    back without one, and nothing else was heard of that part (no cone in reach), the next about it will hardly fare
    better; where something was, the part is at hand, and the next will fare as well as any close look."""
    table = belief.table
    characters = table.knowledge.characters
    heard = {reading.character for reading in belief.readings}
    seen = {characters[name].part for name in heard}
    silent = {characters[name].part for name in put - heard} - seen
    found = np.ones(len(table.characters))
    for part in silent:
        found[_of_part(table, part)] = table.knowledge.numbers["asking"]["silent_part"]
    for part in seen & APART:
        usual, close = 1 - cant_tell(table), 1 - table.knowledge.numbers["cant_tell"][AT_HAND]
        own = _of_part(table, part)
        found[own] = np.maximum(close / usual[own], 1.0)
    return found


@lru_cache(maxsize=64)
def _of_part(table: Table, part: str) -> NDArray[np.bool_]:
    """(C,): which characters are judged on this part."""
    return np.array([table.knowledge.characters[name].part == part for name in table.characters])


def _best_character(belief: Belief, leave_out: set[str], place: Place | None, chance: Array) -> Step | None:
    table = belief.table
    gain, worth = _worth(belief, leave_out, place, chance)
    best = int(np.argmax(worth))
    return Step("character", table.characters[best], gain_bits=float(gain[best])) if worth[best] > 0 else None


def _worth(belief: Belief, leave_out: set[str], place: Place | None, chance: Array) -> tuple[Array, Array]:
    """The gain of each question in bits, and what it is worth by its price (0: not to be asked). Shapes (C,)."""
    numbers = belief.table.knowledge.numbers["asking"]
    table = belief.table
    least = _least_gain(belief, place)
    applies = applicability(belief)
    gain = gains(belief, place, applies) * chance
    worth = gain / prices(table) * opening(table, applies)
    worth[(applies < numbers["applies"]) | (gain < least)] = 0.0
    worth[[table.order[name] for name in leave_out]] = 0.0
    return gain, worth


def _is_worth(belief: Belief, character: int, place: Place | None, chance: float) -> bool:
    """Whether one question, by its number within C, would be worth asking now."""
    applies = applicability(belief)
    if applies[character] < belief.table.knowledge.numbers["asking"]["applies"]:
        return False
    return gain_of(belief, place, character, applies) * chance >= _least_gain(belief, place)


def _least_gain(belief: Belief, place: Place | None) -> float:
    """Bits from which a question is worth asking."""
    numbers = belief.table.knowledge.numbers["asking"]
    return numbers["least_gain_bits"] * (numbers["settled"] if _advice_is_settled(belief, place) else 1.0)


def _advice_is_settled(belief: Belief, place: Place | None) -> bool:
    """Whether a genus or a group is sure, and all that a finder would do is the same for nearly all that remain."""
    if place is None:
        return False
    sure = belief.table.knowledge.numbers["answer"]["sure"]
    deed = np.bincount(deeds(belief.table, place.code), weights=belief.probability)
    if float(deed.max()) < sure:
        return False
    names, shares = wider(belief)
    return any(rank in ("group", "genus") and share >= sure for (_, rank, _), share in zip(names, shares, strict=True))


def _needed_anyway(belief: Belief, first: str, leave_out: set[str], place: Place | None, chance: Array) -> str:
    """The best second question of another family that is still worth asking after nearly any answer to the first; ""
    where there is none. "Nearly any": answers that come with a probability of `both` or more, all together."""
    table = belief.table
    characters = table.knowledge.characters
    _, worth = _worth(belief, leave_out | {first}, place, chance)
    waits = depends(table)[:, table.order[first]] > 0
    same = np.array([characters[name].family == characters[first].family for name in table.characters])
    worth[waits | same] = 0.0
    if not worth.any():
        return ""
    second = int(np.argmax(worth))
    part = table.options[first]
    needed = 0.0
    for answer in range(part.start, part.stop):
        joint = belief.probability * table.heard[:, answer]
        probability = float(joint.sum() / belief.probability.sum())
        after = replace(belief, probability=joint / joint.sum())
        if not _is_sure(after) and _is_worth(after, second, place, float(chance[second])):
            needed += probability
    return table.characters[second] if needed >= table.knowledge.numbers["asking"]["both"] else ""


def _reask(belief: Belief, asked: Sequence[Asked], threshold: float) -> Step | None:
    """The answer to look at again, once: likely enough a slip, and the one whose slip would change most."""
    again = {question.character for question in asked if question.kind == "reask"}
    numbers = belief.table.knowledge.numbers["asking"]
    if len(again) >= numbers["reasks"] or len(belief.readings) < 2:
        return None
    worth = {
        slip.character: slip.probability * slip.effect
        for slip in slips(belief)
        if slip.probability >= threshold and slip.character not in again
    }
    best = max(worth, key=lambda name: worth[name], default=None)
    return Step("reask", best) if best is not None and worth[best] >= numbers["reask_worth"] else None


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
