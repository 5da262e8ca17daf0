"""Simulated finders: species, top-3 and genus accuracy, questions asked, beside log2 of the number of taxa.

    python tests/bench/finders.py [--finders 2000] [--place MI] [--slips 0.1] [--facts 4] [--seed 1]

The true tree is drawn from the prior of the place; it shows states drawn from its own row. A finder slips at the given
rate (uniformly over the other states, unlike the engine's own error model), can't tell in 15 %, and has a cone in reach
in half of the cases. The first message brings some facts; then the engine asks.
"""

from __future__ import annotations

import argparse
import itertools
import math
from dataclasses import dataclass

import numpy as np

from chatkey.app import open_mind
from chatkey.identify import Asked, Table, believe, best_answer, comparison, next_step, watch_yew
from chatkey.identify.answer import status_share
from chatkey.identify.prior import prior_of
from chatkey.knowledge.status import status_in
from chatkey.terms import Claim, Place, Quantity

CANT_TELL = 0.15
CONE_IN_REACH = 0.5
FIRST_FACTS_EFFORT = 2


@dataclass
class Finder:
    """One person in front of one tree."""

    table: Table
    taxon: str
    slips: float
    random: np.random.Generator

    def __post_init__(self) -> None:
        self.has_cone = self.random.random() < CONE_IN_REACH
        self.shown: dict[str, str | float] = {}

    def answer(self, name: str, sequence: int, source: str = "said") -> Claim | None:
        """What the finder says of a character; None where they can't tell or it does not apply."""
        character = self.table.knowledge.characters[name]
        cell = self.table.knowledge.taxa[self.taxon].cells.get(name)
        if (
            cell is None
            or not cell.applies
            or not self.table.applies[self.table.row(self.taxon), self.table.characters.index(name)]
        ):
            return None
        if self.random.random() < CANT_TELL or (character.part == "cone" and not self.has_cone):
            return None
        if cell.range is not None:
            if name not in self.shown:
                low, high = cell.range[1], cell.range[2]
                self.shown[name] = math.exp(self.random.uniform(math.log(low), math.log(high)))
            length = float(self.shown[name]) * math.exp(self.random.normal(0, 0.2))
            if self.random.random() < self.slips:
                length *= self.random.choice([0.4, 2.5])
            return Claim(
                name,
                quantity=Quantity(length * 0.9, length * 1.1),
                sequence=sequence,
                message=str(sequence),
                source=source,
            )
        states = list(character.states)
        if name not in self.shown:
            weights = np.array([cell.weights.get(state, 0.0) for state in states])
            self.shown[name] = states[self.random.choice(len(states), p=weights / weights.sum())]
        state = self.shown[name]
        if self.random.random() < self.slips:
            state = self.random.choice([other for other in states if other != state])
        return Claim(name, states=(str(state),), sequence=sequence, message=str(sequence), source=source)


def identify(finder: Finder, place: Place, facts: int) -> tuple[object, int, int]:
    """The belief at the end, the questions asked after the first message, and the facts it brought."""
    table, claims, asked = finder.table, [], []
    applying = [
        name
        for c, name in enumerate(table.characters)
        if table.applies[table.row(finder.taxon), c] and table.knowledge.characters[name].effort <= FIRST_FACTS_EFFORT
    ]
    for name in finder.random.permutation(applying):
        if len(claims) >= facts:
            break
        claim = finder.answer(str(name), len(claims))
        if claim is not None:
            claims.append(Claim(**{**{f: getattr(claim, f) for f in claim.__slots__}, "message": "1"}))
    questions = 0
    while True:
        belief = believe(table, claims, place)
        step = next_step(belief, asked, watch_yew(belief, claims, place), place)
        if step.kind == "done":
            return belief, questions, len(claims)
        questions += 1
        asked.append(Asked(step.kind, step.character, step.pair, step.free))
        start = len(claims) + 100 * questions
        if step.kind == "compare" and step.pair is not None:
            own = dict.fromkeys(step.pair, 0.0)
            for separator in step.separators:
                told = finder.answer(separator.character, start)
                if told is not None:
                    one = believe(table, [told], place)
                    for taxon in step.pair:
                        own[taxon] += math.log(
                            one.log_likelihood.shape[0] and np.exp(one.log_likelihood[0, table.row(taxon)])
                        )
            if own[step.pair[0]] == own[step.pair[1]]:
                continue
            chosen = max(own, key=lambda taxon: own[taxon])
            for n, separator in enumerate(comparison(belief, *step.pair)):
                value = separator.first if chosen == step.pair[0] else separator.second
                claims.append(
                    Claim(
                        separator.character,
                        states=(value,) if isinstance(value, str) else (),
                        quantity=Quantity(*value) if isinstance(value, tuple) else None,
                        sequence=start + n,
                        message=str(start),
                        source="compared",
                    )
                )
            continue
        claim = finder.answer(step.character, start, "asked_again" if step.kind == "reask" else "said")
        if claim is not None:
            if step.kind == "reask":
                same = any(old.character == claim.character and old.states == claim.states for old in claims)
                source = "asked_again" if same else "said"
                claim = Claim(**{**{f: getattr(claim, f) for f in claim.__slots__}, "source": source})
            claims.append(claim)


def run(finders: int, place: str, slips: float, facts: int, seed: int) -> dict[str, float]:
    """Shares over all finders, and the mean number of questions."""
    table = open_mind().table
    knowledge = table.knowledge
    where = Place(place)
    random = np.random.default_rng(seed)
    prior = prior_of(table, place)[:-1]
    taxa = random.choice(len(table.taxa), size=finders, p=prior / prior.sum())
    right = top3 = genus = answered = answered_right = status_said = status_right = 0
    questions = []
    calibration: list[tuple[float, bool]] = []
    for t in taxa:
        taxon = table.taxa[t]
        belief, asked, _ = identify(Finder(table, taxon, slips, random), where, facts)
        ranked = [name for name, _ in belief.ranked()]
        right += ranked[0] == taxon
        top3 += taxon in ranked[:3]
        parent = knowledge.taxa[taxon].parent or taxon
        genus += (knowledge.taxa[ranked[0]].parent or ranked[0]) == parent
        questions.append(asked)
        calibration.append((belief.ranked()[0][1], ranked[0] == taxon))
        answer = best_answer(belief)
        if (
            answer is not None
            and answer.probability >= knowledge.numbers["answer"]["sure"]
            and answer.rank == "species"
        ):
            answered += 1
            answered_right += answer.id == taxon
        shares = status_share(belief, where)
        best = max(shares, key=lambda status: shares[status])
        if shares[best] >= knowledge.numbers["answer"]["status"]:
            status_said += 1
            status_right += best == status_in(knowledge, knowledge.taxa[taxon], place)
    edges = np.linspace(0, 1, 11)
    error = 0.0
    for low, high in itertools.pairwise(edges):
        inside = [(p, ok) for p, ok in calibration if low < p <= high]
        if inside:
            error += len(inside) / finders * abs(np.mean([p for p, _ in inside]) - np.mean([ok for _, ok in inside]))
    return {
        "species": right / finders,
        "top3": top3 / finders,
        "genus": genus / finders,
        "questions": float(np.mean(questions)),
        "calibration_error": float(error),
        "sure_share": answered / finders,
        "sure_right": answered_right / max(answered, 1),
        "status_share": status_said / finders,
        "status_right": status_right / max(status_said, 1),
        "log2_taxa": math.log2(len(table.taxa)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--finders", type=int, default=2000)
    parser.add_argument("--place", default="MI")
    parser.add_argument("--slips", type=float, default=0.1)
    parser.add_argument("--facts", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    result = run(options.finders, options.place, options.slips, options.facts, options.seed)
    print(f"{options.finders} finders in {options.place}, {options.slips:.0%} slips, {options.facts} facts up front")
    for name, value in result.items():
        print(f"  {name:18} {value:.3f}")


if __name__ == "__main__":
    main()
