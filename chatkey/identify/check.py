"""Proves that every pair of taxa can be told apart by hand, or is declared as a look-alike group."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from chatkey.identify.table import Array, Table
from chatkey.knowledge.yaml_nodes import KnowledgeError, Problems

ALIKE_BELOW = 1.0  # expected log-odds of all hand characters together; 10 to 1 in favour is ln 10 = 2.3
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
            problems.errors.append(
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
    return {"pairs": len(table.taxa) * (len(table.taxa) - 1) // 2, "pairs_hard_to_part": hard}


def separations(table: Table) -> Array:
    """Expected log-odds between each two taxa from all hand characters, averaged both ways. Shape (T, T).

    Half the sum of both Kullback-Leibler divergences of what is heard (Cover & Thomas, 2.3).
    """
    total = np.zeros((len(table.taxa), len(table.taxa)))
    for c, name in enumerate(table.characters):
        if table.knowledge.characters[name].effort > HAND or table.knowledge.characters[name].derive:
            continue
        part = table.columns[name]
        heard, information = table.heard[:, part], table.information[:, part]
        own = information.sum(axis=1)  # (T,): Σ h ln h
        cross = heard @ np.log(heard).T  # (T, T): Σ h_a ln h_b
        both = np.outer(table.applies[:, c], table.applies[:, c])
        total += both * (own[:, None] - cross + own[None, :] - cross.T) / 2
    return total
