"""Proves that every pair of taxa can be told apart by hand, or is declared as a look-alike group."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from chatkey.identify.posterior import believe
from chatkey.identify.step import Asked, next_step
from chatkey.identify.table import Array, Table
from chatkey.identify.yew import watch_yew
from chatkey.knowledge.yaml_nodes import KnowledgeError, Problems
from chatkey.terms import Claim, Place, Quantity

ALIKE_BELOW = 1.0  # expected log-odds of all hand characters together; 10 to 1 in favour is ln 10 = 2.3
LONGEST = 40  # questions: a fence against a talk that would not end
HAND = 4  # characters up to this effort count


def prove_separation(table: Table, problems: Problems) -> dict[str, int]:
    """A pair that scores the same everywhere is an error unless a group holds both; a hard one is counted."""
    odds = separations(table)
    groups = [set(group.members) for group in table.knowledge.groups.values()]
    hard = 0
    for a, b in combinations(range(len(table.taxa)), 2):
        if odds[a, b] >= ALIKE_BELOW:
            continue
        pair = {table.taxa[a], table.taxa[b]}
        declared = any(pair <= group for group in groups)
        hard += 1
        names = " and ".join(sorted(pair))
        if odds[a, b] < 0.01 and not declared:
            problems.add(
                KnowledgeError(
                    "taxa", f"{names} score the same everywhere", "score what parts them, or name them in groups.yaml"
                )
            )
        elif not declared:
            problems.warnings.append(
                KnowledgeError(
                    "taxa",
                    f"{names} are hard to part by hand ({odds[a, b]:.2f})",
                    "score what parts them, or name them in groups.yaml",
                )
            )
    for name in idle_questions(table):
        problems.add(
            KnowledgeError(
                f"characters: {name}", "no answer to it tells one taxon from another", "score it, or take it out"
            )
        )
    return {"pairs": len(table.taxa) * (len(table.taxa) - 1) // 2, "pairs_hard_to_part": hard}


def hardest_pairs(table: Table, most: int = 30) -> list[dict[str, object]]:
    """The pairs with the least expected log-odds, hardest first, and the groups that declare them."""
    odds = separations(table)
    pairs = sorted(combinations(range(len(table.taxa)), 2), key=lambda pair: odds[pair])[:most]
    groups = table.knowledge.groups.values()
    return [
        {
            "taxa": [table.taxa[a], table.taxa[b]],
            "log_odds": round(float(odds[a, b]), 3),
            "groups": [group.id for group in groups if {table.taxa[a], table.taxa[b]} <= set(group.members)],
        }
        for a, b in pairs
    ]


def idle_questions(table: Table) -> list[str]:
    """Characters whose answer is heard alike from every taxon they apply to: never worth asking."""
    found = []
    for c, name in enumerate(table.characters):
        heard = table.heard[table.applies[:, c] > 0][:, table.options[name]]
        if table.knowledge.characters[name].derive == "context":
            continue
        if len(heard) < 2 or np.ptp(heard, axis=0).max() < 1e-6:
            found.append(name)
    return found


def expected_questions(table: Table, place: str) -> dict[str, int]:
    """Questions that an honest finder with a cone at hand is asked for each taxon, from nothing, place known."""
    return {taxon: _questions(table, taxon, Place(place)) for taxon in table.taxa}


def _questions(table: Table, taxon: str, place: Place) -> int:
    claims: list[Claim] = []
    asked: list[Asked] = []
    while True:
        belief = believe(table, claims, place)
        step = next_step(belief, asked, watch_yew(belief, claims, place), place)
        if step.kind == "done" or len(asked) > LONGEST:
            return len(asked)
        asked.append(Asked(step.kind, step.character, step.pair, step.free))
        cell = table.knowledge.taxa[taxon].cells.get(step.character)
        if step.kind != "character" or cell is None or not cell.applies:
            continue
        message = str(len(asked))
        if cell.range is not None:
            middle = (cell.range[1] * cell.range[2]) ** 0.5
            claims.append(
                Claim(step.character, quantity=Quantity(middle, middle), sequence=len(asked), message=message)
            )
        else:
            state = max(cell.weights, key=lambda state: cell.weights[state])
            claims.append(Claim(step.character, (state,), sequence=len(asked), message=message))


def separations(table: Table) -> Array:
    """Expected log-odds between each two taxa from all hand characters, averaged both ways. Shape (T, T).

    Half the sum of both Kullback-Leibler divergences of what is heard (Cover & Thomas, 2.3).
    """
    total = np.zeros((len(table.taxa), len(table.taxa)))
    for c, name in enumerate(table.characters):
        if table.knowledge.characters[name].effort > HAND or table.knowledge.characters[name].derive:
            continue
        heard = table.heard[:, table.options[name]].astype(float)
        own = (heard * np.log(heard)).sum(axis=1)  # (T,): Σ h ln h
        cross = heard @ np.log(heard).T  # (T, T): Σ h_a ln h_b
        both = np.outer(table.applies[:, c], table.applies[:, c])
        total += both * (own[:, None] - cross + own[None, :] - cross.T) / 2
    return total
