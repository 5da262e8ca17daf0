"""How far the knowledge is filled, and on what it rests."""

from __future__ import annotations

from collections import Counter
from typing import Any

from chatkey.knowledge.model import MEMORY, PRACTICE, Character, Knowledge

HAND_EFFORT = 3  # a hand, an eye close by, a cone or fallen part
MAINLY = 0.5  # share of plants from which a character that some show is expected to be scored
COMMON_PLANTED = ("often",)


def coverage(knowledge: Knowledge) -> dict[str, Any]:
    """Cells filled and from memory, in all and for the plants that matter most; sources by the cells they carry."""
    characters = [id for id, character in knowledge.characters.items() if not character.derive]
    hand = [id for id in characters if _is_of_hand(knowledge.characters[id])]
    leaves = list(knowledge.leaves)
    core = [leaf for leaf in leaves if _matters(knowledge, leaf)]
    by_source: Counter[str] = Counter()
    for leaf in leaves:
        for cell in knowledge.taxa[leaf].cells.values():
            by_source.update(cell.sources)
    blanks = {
        leaf: [id for id in hand if _may_apply(knowledge, leaf, id) and id not in knowledge.taxa[leaf].cells]
        for leaf in leaves
    }
    possible = sum(_may_apply(knowledge, leaf, id) for leaf in leaves for id in hand)
    return {
        "cells": _counts(knowledge, leaves, characters),
        "hand_cells": _counts(knowledge, leaves, hand),
        "hand_cells_natives_and_planted": _counts(knowledge, core, hand),
        "hand_cells_filled_share": round(1 - sum(map(len, blanks.values())) / max(possible, 1), 4),
        "blanks_by_taxon": {leaf: found for leaf, found in blanks.items() if found},
        "sources": dict(by_source.most_common()),
    }


def _is_of_hand(character: Character) -> bool:
    """Judged of the plant itself, by hand and eye or with a cone: not its place, not its season."""
    return character.effort <= HAND_EFFORT and character.part != "place" and character.family != "season"


def _counts(knowledge: Knowledge, leaves: list[str], characters: list[str]) -> dict[str, float]:
    cells = [knowledge.taxa[leaf].cells[id] for leaf in leaves for id in characters if id in knowledge.taxa[leaf].cells]
    memory = sum(set(cell.sources) <= {MEMORY} for cell in cells)
    practice = sum(set(cell.sources) <= {MEMORY, PRACTICE} and PRACTICE in cell.sources for cell in cells)
    return {
        "taxa": len(leaves),
        "cells": len(cells),
        "from_memory": memory,
        "common_practice": practice,
        "from_memory_share": round(memory / max(len(cells), 1), 4),
    }


def _matters(knowledge: Knowledge, leaf: str) -> bool:
    """A conifer native in the East, or commonly planted there."""
    taxon = knowledge.taxa[leaf]
    native = any(knowledge.regions[code].side == "east" for code in taxon.range.native)
    return taxon.conifer and (native or taxon.planted in COMMON_PLANTED)


def _may_apply(knowledge: Knowledge, leaf: str, id: str) -> bool:
    """Whether a character can be judged of a plant, by its conditions; a cell that says n/a settles it."""
    cells = knowledge.taxa[leaf].cells
    if id in cells:
        return True
    for parent, states in knowledge.characters[id].only_if.items():
        cell = cells.get(parent)
        if cell is not None and sum(cell.weights.get(state, 0) for state in states) < MAINLY:
            return False
        if not _may_apply(knowledge, leaf, parent):
            return False
    return True
