"""People in front of plants: what each would say of every character, drawn once, so that all engines hear the same."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from chatkey.identify.doubt import Separator
from chatkey.identify.table import Array, Table, in_order
from chatkey.knowledge.model import Cell, Character, Knowledge
from chatkey.terms import Claim, MeasuredBy, Place, Quantity
from chatkey.trial.nature import Nature

MEASURES: tuple[MeasuredBy, ...] = ("eye", "thumb", "ruler")
MEASURED = (0.6, 0.25, 0.15)  # share of lengths judged by eye, thumb and ruler
OFF = {"eye": 0.2, "thumb": 0.12, "ruler": 0.04}  # mean error of ln(length), two-sided exponential: wide tails
MISREAD = (0.5, 2.0)  # a length that slips is taken for the half or the double
SAID_AS_NUMBER = 0.5  # share of length questions answered with a number; the rest choose a class
NEIGHBOUR = 0.5  # share of slips that go to a neighbouring state
HARD = 1.1  # by which the share of what is bare for a season exceeds the knowledge's
STUBBORN = 0.5  # share of second looks that only repeat the first
CARELESS_SLIPS = 0.6  # of a careless finder, within the one family they misjudge
FIRST_EFFORT = 2  # what is told unasked takes no more than a close look …
COMMON = (
    0.7  # … and nobody tells unasked what more than so many of all plants show (leaves on, no flowers, a woody stem)
)


@dataclass(frozen=True, slots=True)
class World:
    """How finders are drawn. All shares from 0 to 1."""

    place: str = "MI"  # a region's code, or ""
    slips: float = 0.1
    channel: str = "chat"  # or "sms": what a channel can bear to be asked
    facts: int = 4
    cant_tell: float = 0.15
    cones: float = 0.5
    careless: float = 0.0  # share of finders who misjudge one whole family of evidence
    wrong_place: float = 0.0  # share of finders who name another place than where they stand
    month: int | None = None  # of all talks, 1 to 12; None: any, and no engine knows it
    perturbed: bool = True
    in_words: bool = True  # the first facts go through the understanding
    common: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # states that nobody tells unasked
    meanings: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)  # of words: characters, states


@dataclass(frozen=True, slots=True)
class Look:
    """One look at one character: a state or a length in mm; whether it is a slip."""

    state: str = ""
    length: float = 0.0
    measured_by: MeasuredBy = "eye"
    as_number: bool = False
    slipped: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Finder:
    """One person in front of one plant. `looks`: first and second look at each character they can judge."""

    taxon: str
    is_wild: bool
    shown: Mapping[str, str | float]  # what the plant shows: states, and lengths in mm
    place: Place | None  # the one they name
    month: int | None  # in which they stand there, where it is known
    looks: Mapping[str, tuple[Look, Look]]
    facts: tuple[str, ...]  # characters they tell unasked
    picks: Mapping[str, float]  # a number from 0 to 1 for each character: which words they choose, whether they slip

    def answer(self, character: Character, number: int, *, again: bool = False) -> Claim | None:
        """What is said when asked; None where they can't tell. `number`: of the message, from 1."""
        looks = self.looks.get(character.id)
        if looks is None:
            return None
        first, second = looks
        look = second if again else first
        claim = Claim(character.id, sequence=number, message=str(number))
        same = again and (look.state, look.length) == (first.state, first.length)
        if same:
            claim = replace(claim, source="asked_again")
        if character.kind != "length":
            return replace(claim, states=(look.state,))
        if look.as_number or not character.classes:
            return replace(claim, quantity=Quantity(look.length * 0.9, look.length * 1.1, look.measured_by))
        low, high = character.classes[class_of(character, look.length)]
        return replace(claim, quantity=Quantity(low, high, look.measured_by))

    def slipped(self, claim: Claim) -> bool:
        """Whether what was heard is not what the plant shows; of a length, whether the look at it was a slip."""
        shown = self.shown.get(claim.character)
        if isinstance(shown, str):
            return (shown in claim.states) == claim.negated
        return self.looks[claim.character][0].slipped if claim.character in self.looks else True

    def compare(self, knowledge: Knowledge, separators: tuple[Separator, ...]) -> bool | None:
        """Whether the first of two plants fits better, by another look; None where both fit alike."""
        score = 0.0
        for separator in separators:
            if separator.character not in self.looks:
                continue
            look = self.looks[separator.character][1]
            score += _fits(look, separator.first) - _fits(look, separator.second)
        return None if score == 0 else score > 0


def class_of(character: Character, length: float) -> str:
    """The class of lengths (mm) that holds this one; the first or last beyond them."""
    names = list(character.classes)
    return next((name for name in names if length < character.classes[name][1]), names[-1])


def _fits(look: Look, shown: str | tuple[float, float]) -> float:
    if isinstance(shown, str):
        return float(look.state == shown)
    low, high = shown
    return -abs(math.log(look.length / math.sqrt(low * high)))


def furnished(world: World, table: Table) -> World:
    """The world with what its finders know: what nobody tells unasked, and all that their words mean."""
    meanings: dict[str, tuple[tuple[str, str], ...]] = {}
    for name, character in table.knowledge.characters.items():
        for state, words in character.words.states.items():
            for phrase in words.words:
                meanings[phrase] = (*meanings.get(phrase, ()), (name, state))
    return replace(world, common=common_states(table), meanings=meanings)


def common_states(table: Table) -> dict[str, tuple[str, ...]]:
    """The states that more than `COMMON` of all taxa show, by character."""
    found = {}
    for name in table.characters:
        states = table.knowledge.characters[name].states
        share = table.frequency[:, table.columns[name]].mean(axis=0)
        found[name] = tuple(state for state, one in zip(states, share, strict=False) if one > COMMON)
    return {name: states for name, states in found.items() if states}


def draw_finder(knowledge: Knowledge, nature: Nature, world: World, random: np.random.Generator) -> Finder:
    """A plant that is met in this world, and a person who judges it."""
    both = np.concatenate([nature.wild, nature.planted])
    drawn = int(random.choice(len(both), p=both))
    taxon = knowledge.leaves[drawn % len(knowledge.leaves)]
    is_wild = drawn < len(knowledge.leaves)
    place = world.place
    if place and random.random() < world.wrong_place:
        place = str(random.choice([region.code for region in knowledge.regions.values() if region.side == "east"]))
    return finder_of(knowledge, nature, world, random, taxon, is_wild, place)


def finder_of(
    knowledge: Knowledge,
    nature: Nature,
    world: World,
    random: np.random.Generator,
    taxon: str,
    is_wild: bool,
    place: str,
) -> Finder:
    """A person who judges one plant and names one place ("" for none)."""
    shown = _shown(knowledge, nature, taxon, is_wild, world.month, random)
    has_cone = random.random() < world.cones and shown.get("cones_present") != "absent"
    families = sorted({character.family for character in knowledge.characters.values()})
    careless_in = str(random.choice(families)) if random.random() < world.careless else ""
    looks: dict[str, tuple[Look, Look]] = {}
    picks: dict[str, float] = {}
    for name, character in knowledge.characters.items():
        picks[name] = random.random()
        told = random.random() >= world.cant_tell
        slips = CARELESS_SLIPS if character.family == careless_in else world.slips
        if name not in shown or not told or (character.part == "cone" and name != "cones_present" and not has_cone):
            continue
        if name == "cones_present" and not has_cone:
            shown[name] = "absent"
        first = _look(character, shown[name], slips, random)
        second = first if random.random() < STUBBORN else _look(character, shown[name], slips, random)
        looks[name] = (first, second)
    ready = [
        name
        for name in looks
        if knowledge.characters[name].effort <= FIRST_EFFORT and shown[name] not in world.common.get(name, ())
    ]
    facts = tuple(str(name) for name in random.permutation(ready)[: world.facts])
    return Finder(taxon, is_wild, shown, Place(place) if place else None, world.month, looks, facts, picks)


def _shown(
    knowledge: Knowledge, nature: Nature, taxon: str, is_wild: bool, month: int | None, random: np.random.Generator
) -> dict[str, str | float]:
    """What this one plant shows, in the characters that apply to it."""
    shown: dict[str, str | float] = {}
    for name in in_order(knowledge):
        character = knowledge.characters[name]
        if character.derive == "met":
            shown[name] = "wild" if is_wild else "planted"
            continue
        cell = nature.anywhere[name] if character.wild_only and not is_wild else nature.cells[taxon].get(name)
        if cell is None or not cell.applies or character.derive:
            continue
        if any(shown.get(parent) not in states for parent, states in character.only_if.items()):
            continue
        if cell.range is not None:
            shown[name] = _length(cell.range, random)
        else:
            weights = np.array(list(cell.weights.values()))
            if month is not None and len(weights) > 1:
                weights = _in_month(cell, character, month)
            shown[name] = list(cell.weights)[int(random.choice(len(weights), p=weights / weights.sum()))]
    return shown


def _in_month(cell: Cell, character: Character, month: int) -> Array:
    """The weights of a cell in one month: of what is shown for a season. Winters of this world are harder."""
    shares = {state: HARD * year[month - 1] for state, year in character.by_month.items()}
    weights = dict(cell.weights)
    for state in shares.keys() & weights.keys():
        rest = sum(weight for other, weight in weights.items() if other != state)
        weights[state] = rest * shares[state] / (1 - shares[state])
    return np.array(list(weights.values()))


def _length(four: tuple[float, float, float, float], random: np.random.Generator) -> float:
    """One length: nine of ten between the usual numbers, even in ln mm."""
    part = int(random.choice(3, p=[0.05, 0.9, 0.05]))
    return math.exp(random.uniform(math.log(four[part]), math.log(four[part + 1])))


def _look(character: Character, shown: str | float, slips: float, random: np.random.Generator) -> Look:
    slipped = bool(random.random() < slips)
    if isinstance(shown, str):
        return Look(state=_slip(character, shown, random) if slipped else shown, slipped=slipped)
    how = MEASURES[int(random.choice(3, p=MEASURED))]
    length = shown * math.exp(random.laplace(0, OFF[how]))
    if slipped:
        length *= float(random.choice(MISREAD))
    as_number = bool(random.random() < SAID_AS_NUMBER)
    return Look(length=length, measured_by=how, as_number=as_number, slipped=slipped)


def _slip(character: Character, shown: str, random: np.random.Generator) -> str:
    """Another state: half the time one that stands beside it in the list, else any."""
    states = character.states
    at = states.index(shown)
    near = [states[n] for n in (at - 1, at + 1) if 0 <= n < len(states)]
    others = near if random.random() < NEIGHBOUR else [state for state in states if state != shown]
    return str(random.choice(others))
