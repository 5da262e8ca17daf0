"""A simulated crew of five against one reader: species right, questions, and how often a second look finds the truth.

    python tests/bench/crew.py [--walks 10] [--trees 30] [--readers 5] [--slips 0.1] [--place MI] [--seed 1]

All have hands on the same tree: its true states are drawn once, the slips of each reader are their own, in a second
look too. Each brings two facts; a question is answered by one of them, and by each of the others in three cases of ten.
Where two differ, half of the times a third speaks first; else both look again. The single reader brings four facts.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from finders import FIRST_FACTS_EFFORT, Finder

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.dialog.looks import Difference, differences
from chatkey.identify import Asked, Belief, believe, next_step, watch_yew
from chatkey.identify.answer import best_answer
from chatkey.identify.prior import prior_of
from chatkey.terms import Claim, Place

FACTS_EACH, FACTS_ALONE = 2, 4
ALSO_ANSWERS = 0.3
THIRD_SPEAKS = 0.5


@dataclass
class Group:
    """Some readers round one tree, and all they have said."""

    mind: Mind
    taxon: str
    size: int
    slips: float
    random: np.random.Generator
    claims: list[Claim] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    looks: dict[str, str] = field(default_factory=dict)  # character -> what settled it
    for_truth: Counter[str] = field(default_factory=Counter)
    messages: int = 0

    def __post_init__(self) -> None:
        table = self.mind.table
        self.readers = [Finder(table, self.taxon, self.slips, self.random) for _ in range(self.size)]
        for reader in self.readers:
            reader.shown = self.readers[0].shown  # one tree, one truth

    def say(self, reader: int, name: str, *, again: bool = False) -> bool:
        """One reader's word on one character; False where they can't tell."""
        self.messages += 1
        claim = self.readers[reader].answer(name, len(self.claims) + 1)
        if claim is None:
            return False
        own = [old for old in self.claims if (old.reader, old.character) == (str(reader), name)]
        same = bool(own) and (own[-1].states, own[-1].quantity) == (claim.states, claim.quantity)
        source = "asked_again" if again and same else "said"
        message = str(self.messages)
        self.claims.append(replace(claim, reader=str(reader), message=message, source=source))
        return True

    def bring_facts(self, each: int) -> None:
        table, knowledge = self.mind.table, self.mind.knowledge
        row = table.row(self.taxon)
        easy = [
            name
            for c, name in enumerate(table.characters)
            if table.applies[row, c] and knowledge.characters[name].effort <= FIRST_FACTS_EFFORT
        ]
        for reader in range(self.size):
            told = 0
            for name in self.random.permutation(easy):
                told += self.say(reader, str(name)) if told < each else 0

    def settle(self) -> None:
        """One more look at each point on which two differ, once."""
        while found := [one for one in self.differences() if one.character not in self.looks]:
            self.look_again(found[0])

    def look_again(self, difference: Difference) -> None:
        name, who = difference.character, [int(reader) for reader in difference.readers]
        self.asked.append(Asked("reask", name))
        others = [reader for reader in range(self.size) if reader not in who]
        if others and self.random.random() < THIRD_SPEAKS and self.say(int(self.random.choice(others)), name):
            self.looks[name] = "third"
        else:
            for reader in who:
                if not self.is_open(name):
                    break
                self.say(reader, name, again=True)
            self.looks[name] = "open" if self.is_open(name) else "changed"
        self.count_truth(name)

    def count_truth(self, name: str) -> None:
        """By what most say now, whether the point was settled for what the tree shows; lengths are left out."""
        truth, settled = self.readers[0].shown[name], self.looks[name]
        votes = Counter(state for claim in self.standing(name) for state in claim.states)
        if isinstance(truth, str) and votes:
            best = max(votes.values())
            leads = [state for state, count in votes.items() if count == best]
            result = "true" if leads == [truth] else "open" if truth in leads else "false"
            self.for_truth[f"{settled} {result}"] += 1

    def standing(self, name: str) -> list[Claim]:
        """The newest word of each reader on a character."""
        newest = {claim.reader: claim for claim in self.claims if claim.character == name}
        return list(newest.values())

    def differences(self) -> Sequence[Difference]:
        return differences(self.mind.knowledge, self.mind.lexicon, self.claims)

    def is_open(self, name: str) -> bool:
        return any(one.character == name for one in self.differences())

    def answer_question(self, name: str) -> None:
        order = self.random.permutation(self.size)
        for n, reader in enumerate(order):
            if n == 0 or self.random.random() < ALSO_ANSWERS:
                self.say(int(reader), name)


@dataclass
class Result:
    """What came of one tree."""

    species: bool
    named: bool | None  # right or wrong where it was named as sure; None where it was not
    questions: int
    looks: Counter[str]


def identified(group: Group, place: Place, facts: int) -> Result:
    """The tree as the engine names it at the end. A comparison of two plants is left unanswered."""
    group.bring_facts(facts)
    while True:
        group.settle()
        belief = believe(group.mind.table, group.claims, place)
        step = next_step(belief, group.asked, watch_yew(belief, group.claims, place), place)
        if step.kind == "done":
            return _result(group, belief)
        group.asked.append(Asked(step.kind, step.character, step.pair, step.free))
        if step.kind == "reask":
            group.say(int(group.random.integers(group.size)), step.character, again=True)
        elif step.kind == "character":
            group.answer_question(step.character)


def _result(group: Group, belief: Belief) -> Result:
    answer = best_answer(belief)
    sure = group.mind.knowledge.numbers["answer"]["sure"]
    named = answer.id == group.taxon if answer and answer.rank == "species" and answer.probability >= sure else None
    return Result(belief.ranked()[0][0] == group.taxon, named, len(group.asked), group.for_truth)


def run(walks: int, trees: int, size: int, slips: float, place: str, seed: int) -> tuple[list[Result], list[Result]]:
    """The results of one reader alone and of the crew, on the same trees."""
    mind, where = open_mind(), Place(place)
    prior = prior_of(mind.table, where)[: len(mind.table.taxa)]
    drawn = np.random.default_rng(seed).choice(len(prior), size=walks * trees, p=prior / prior.sum())
    alone, crew = [], []
    for number, t in enumerate(drawn):
        for found, readers, facts in ((alone, 1, FACTS_ALONE), (crew, size, FACTS_EACH)):
            group = Group(mind, mind.table.taxa[t], readers, slips, np.random.default_rng((seed, number, readers)))
            found.append(identified(group, where, facts))
    return alone, crew


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--walks", type=int, default=10)
    parser.add_argument("--trees", type=int, default=30)
    parser.add_argument("--readers", type=int, default=5)
    parser.add_argument("--slips", type=float, default=0.1)
    parser.add_argument("--place", default="MI")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    alone, crew = run(options.walks, options.trees, options.readers, options.slips, options.place, options.seed)
    print(f"{options.walks} walks of {options.trees} trees in {options.place}, {options.slips:.0%} slips each")
    print(f"  {'':28}{'one reader':>12}{f'{options.readers} readers':>12}")
    for name, of in (
        ("species right", lambda rows: np.mean([row.species for row in rows])),
        ("named as sure", lambda rows: np.mean([row.named is not None for row in rows])),
        ("right where named as sure", lambda rows: np.mean([row.named for row in rows if row.named is not None])),
        ("questions a tree", lambda rows: np.mean([row.questions for row in rows])),
        ("species right, worst walk", lambda rows: _worst(rows, options.trees)),
    ):
        print(f"  {name:28}{of(alone):12.3f}{of(crew):12.3f}")
    looks = sum((row.looks for row in crew), Counter[str]())
    print(f"one more look, {sum(looks.values())} times")
    for settled in ("changed", "third", "open"):
        row = {result: looks[f"{settled} {result}"] for result in ("true", "open", "false")}
        print(f"  {settled:8}" + "".join(f"{result:>8} {count:4}" for result, count in row.items()))


def _worst(rows: Sequence[Result], trees: int) -> float:
    return float(min(np.mean([row.species for row in rows[n : n + trees]]) for n in range(0, len(rows), trees)))


if __name__ == "__main__":
    main()
