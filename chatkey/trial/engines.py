"""Our engine in a trial, whole and without each of its parts, and with its questions in random order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chatkey.identify import (
    Asked,
    Belief,
    Budget,
    Step,
    Table,
    believe,
    budget_of,
    comparison,
    next_step,
    slips,
    watch_yew,
)
from chatkey.identify.question import applicability
from chatkey.terms import Claim, Quantity
from chatkey.trial.finders import Finder, class_of
from chatkey.trial.outcome import Outcome, outcome_of

LONGEST = 60  # questions: a fence against a talk that would not end
FEWEST_LEFT = 0.05  # a character is asked at random while it applies with this probability


@dataclass(frozen=True, slots=True, eq=False)
class Engine:
    """One way to use the mathematics. The table holds the changed numbers."""

    name: str
    table: Table
    measures: bool = True  # lengths as numbers; else only as their classes
    knows_place: bool = True
    at_random: bool = False
    budget: Budget | None = None


def our_engines(table: Table, channel: str = "chat") -> dict[str, Engine]:
    """Ours, and ours without each of its parts, by name; with the budget of a channel."""
    engines = {
        "ours": Engine("ours", table),
        "random_order": Engine("random_order", table, at_random=True),
        "without_prior": Engine("without_prior", with_numbers(table, prior={"trust": 0.0})),
        "without_lengths": Engine("without_lengths", table, measures=False),
        "without_discount": Engine("without_discount", with_discount(table, 1.0)),
        "without_reask": Engine("without_reask", with_numbers(table, asking={"reasks": 0.0})),
        "without_comparison": Engine("without_comparison", with_numbers(table, asking={"comparisons": 0.0})),
    }
    budget = budget_of(table.knowledge, short=channel == "sms")
    return {name: replace(engine, budget=budget) for name, engine in engines.items()}


def with_numbers(table: Table, **sections: Mapping[str, float]) -> Table:
    """The table with some numbers changed; those that its arrays were built with must stay."""
    numbers = {key: {**old, **sections.get(key, {})} for key, old in table.knowledge.numbers.items()}
    return replace(table, knowledge=replace(table.knowledge, numbers=numbers))


def with_discount(table: Table, share: float) -> Table:
    """The table with one discount for all families of evidence."""
    numbers = {**table.knowledge.numbers, "discount": {"other": share}}
    return replace(table, knowledge=replace(table.knowledge, numbers=numbers))


def hold(engine: Engine, finder: Finder, first: Sequence[Claim], random: np.random.Generator) -> Outcome:
    """One talk from the first message to the end."""
    talk = talk_of(engine, finder, first, random)
    return outcome_of(talk.belief, finder, talk.questions, talk.by_question, talk.doubted())


def talk_of(engine: Engine, finder: Finder, first: Sequence[Claim], random: np.random.Generator | None = None) -> Talk:
    """One talk that was held to its end. `random`: the order, where questions are asked at random."""
    talk = Talk(engine, finder, [_plain(engine, claim) for claim in first])
    if engine.at_random and random is not None:
        talk.ask_at_random(random)
    else:
        talk.go_on()
    return talk


class Talk:
    """One finder and one engine: what was asked and heard so far."""

    def __init__(self, engine: Engine, finder: Finder, first: list[Claim]) -> None:
        self.engine, self.finder = engine, finder
        self.table, self.place = engine.table, finder.place if engine.knows_place else None
        self.month = finder.month
        self.claims = first
        self.asked: list[Asked] = []
        self.by_question: list[bool] = []
        self.belief = self._believe()

    @property
    def questions(self) -> int:
        """Messages that asked, the place not counted."""
        return sum(one.kind != "place" and not one.beside for one in self.asked)

    def go_on(self) -> None:
        """Asks as the engine wants, to the end."""
        while len(self.asked) < LONGEST:
            watch = watch_yew(self.belief, self.claims, self.place)
            step = next_step(self.belief, self.asked, watch, self.place, self.engine.budget, self.month)
            if step.kind == "done":
                return
            self.asked.append(Asked(step.kind, step.character, step.pair, step.free))
            self._hear(step)
            if step.also:
                self.asked.append(Asked(step.kind, step.also, beside=True))
                self._hear(replace(step, character=step.also))
            self.belief = self._believe()

    def doubted(self) -> list[tuple[float, bool]]:
        """Of each first reading, how likely a slip it was by all the first readings, and whether it was one."""
        first: dict[str, str] = {}
        for claim in self.claims:
            first.setdefault(claim.character, claim.message)
        said = [claim for claim in self.claims if claim.source == "said" and claim.message == first[claim.character]]
        wrong = {claim.character for claim in said if self.finder.slipped(claim)}
        found = slips(believe(self.table, said, self.place, self.month))
        return [(slip.probability, slip.character in wrong) for slip in found]

    def ask_at_random(self, random: np.random.Generator) -> None:
        """Asks whatever applies, in any order, until one class is sure or nothing is left."""
        sure = self.table.knowledge.numbers["answer"]["sure"]
        characters = self.table.knowledge.characters
        for c in random.permutation(len(self.table.characters)):
            name = self.table.characters[c]
            heard = {reading.character for reading in self.belief.readings}
            if name in heard or characters[name].derive == "context":
                continue
            if applicability(self.belief)[c] < FEWEST_LEFT:
                continue
            if np.bincount(self.table.alike, weights=self.belief.probability).max() >= sure:
                return
            self.asked.append(Asked("character", name))
            self._hear(Step("character", name))
            self.belief = self._believe()

    def _believe(self) -> Belief:
        belief = believe(self.table, self.claims, self.place, self.month)
        leader = self.table.taxa[int(np.argmax(belief.probability))]
        self.by_question.append(leader == self.finder.taxon)
        return belief

    def _hear(self, step: Step) -> None:
        number = len(self.asked) + 1
        if step.kind == "compare":
            self.claims += self._compared(step, number)
        elif step.kind in ("character", "reask"):
            character = self.table.knowledge.characters[step.character]
            claim = self.finder.answer(character, number, again=step.kind == "reask")
            if claim is not None:
                self.claims.append(_plain(self.engine, claim))

    def _compared(self, step: Step, number: int) -> list[Claim]:
        """What choosing one of two plants says, as the talk takes it."""
        assert step.pair is not None
        first_fits = self.finder.compare(self.table.knowledge, step.separators)
        if first_fits is None:
            return []
        found = []
        for separator in comparison(self.belief, *step.pair):
            value = separator.first if first_fits else separator.second
            found.append(
                Claim(
                    separator.character,
                    states=(value,) if isinstance(value, str) else (),
                    quantity=Quantity(*value) if isinstance(value, tuple) else None,
                    sequence=number,
                    message=str(number),
                    source="compared",
                )
            )
        return found


def _plain(engine: Engine, claim: Claim) -> Claim:
    """The claim as this engine takes it: without measures a length is no more than its class."""
    if engine.measures or claim.quantity is None:
        return claim
    character = engine.table.knowledge.characters[claim.character]
    if not character.classes:
        return claim
    middle = (claim.quantity.low * claim.quantity.high) ** 0.5
    low, high = character.classes[class_of(character, middle)]
    return replace(claim, quantity=Quantity(low, high, "eye"))
