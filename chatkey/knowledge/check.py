"""Proves the knowledge: sources, coverage, orphans, dangerous words, reading length."""

from __future__ import annotations

import re
from collections.abc import Iterator

from chatkey.knowledge.model import HONEST_MARKS, MEMORY, Knowledge
from chatkey.knowledge.yaml_nodes import KnowledgeError, Problems

# Said of no plant and no part, by nobody (decisions: no sentence that says safe, edible …).
NEVER_SAID = re.compile(
    r"\b(is|are|be|it's|they're|quite|perfectly|completely) (safe|edible|harmless|non-?toxic|fine to|ok(ay)? to)\b"
    r"|\bsafe(ly)? (to|for)\b|\bnon-?toxic\b|\bin (large |small )?quantit|\bok(ay)? to\b|\bharmless\b|\bedible\b",
    re.IGNORECASE,
)


def prove(knowledge: Knowledge, problems: Problems) -> dict[str, int]:
    """Adds what is wrong or doubtful to `problems`; returns counts."""
    _sources(knowledge, problems)
    _taxa(knowledge, problems)
    _characters(knowledge, problems)
    for where, text in texts(knowledge):
        if NEVER_SAID.search(text):
            problems.add(KnowledgeError(where, f"{text[:60]!r} calls something safe", "say who decides instead"))
    cells = [cell for leaf in knowledge.leaves for cell in knowledge.taxa[leaf].cells.values()]
    return {
        "taxa": len(knowledge.taxa),
        "hypotheses": len(knowledge.leaves),
        "groups": len(knowledge.groups),
        "characters": len(knowledge.characters),
        "cells": len(cells),
        "cells_from_memory": sum(set(cell.sources) <= {MEMORY} for cell in cells),
        "sources": len(knowledge.sources),
        "places": len(knowledge.regions),
        "listings": len(knowledge.listings),
    }


def texts(knowledge: Knowledge) -> Iterator[tuple[str, str]]:
    """Every sentence of the knowledge that a finder can read, with where it stands."""
    for character in knowledge.characters.values():
        words = character.words
        where = f"knowledge/words: {character.id}"
        yield from ((where, text) for text in (words.ask, words.again, words.how, words.name, words.echo) if text)
        yield from ((where, text) for state in words.states.values() for text in (state.label, state.echo))
    for caution in knowledge.cautions.values():
        yield f"knowledge/words: cautions: {caution.id}", caution.text
        if caution.short:
            yield f"knowledge/words: cautions: {caution.id}: short", caution.short
    for plant in knowledge.planting.values():
        yield from (
            (f"knowledge/words: planting: {plant.id}", text) for text in (plant.site, plant.watch, plant.note) if text
        )


def _sources(knowledge: Knowledge, problems: Problems) -> None:
    used: set[str] = set()
    for taxon in knowledge.taxa.values():
        used.update(key for cell in taxon.cells.values() for key in cell.sources)
        used.update(taxon.range.sources)
    used.update(key for character in knowledge.characters.values() for key in character.sources)
    used.update(key for group in knowledge.groups.values() for key in group.sources)
    used.update(key for caution in knowledge.cautions.values() for key in caution.sources)
    used.update(key for plant in knowledge.planting.values() for given in plant.sources.values() for key in given)
    used.update(knowledge.line_sources)
    used.update(figure.source for figure in knowledge.figures.values())
    used.update(listing.source for listing in knowledge.listings)
    for character in knowledge.characters.values():
        for key in character.sources:
            if key not in knowledge.sources and key not in HONEST_MARKS:
                problems.add(
                    KnowledgeError(
                        f"characters: {character.id}", f"the source {key!r} is not known", "add it to sources.yaml"
                    )
                )
    unused = sorted(key for key in knowledge.sources if key not in used)
    if unused:
        problems.warnings.append(
            KnowledgeError(
                "knowledge/sources",
                f"{len(unused)} sources are used by no fact, {unused[0]!r} among them",
                "take them out",
            )
        )


def _taxa(knowledge: Knowledge, problems: Problems) -> None:
    parents = {taxon.parent for taxon in knowledge.taxa.values()}
    for id, taxon in knowledge.taxa.items():
        if not taxon.is_leaf and id not in parents:
            problems.add(
                KnowledgeError(f"taxa: {id}", "is an orphan: no taxon stands under it", "add one or take it out")
            )
        if taxon.is_leaf and not taxon.cells:
            problems.add(KnowledgeError(f"taxa: {id}", "has no scores", "add a block of scores"))
        if taxon.is_leaf and taxon.conifer and not taxon.parent:
            problems.add(KnowledgeError(f"taxa: {id}", "is a conifer without a parent", "name its genus as parent"))


def _characters(knowledge: Knowledge, problems: Problems) -> None:
    for id, character in knowledge.characters.items():
        if character.derive == "context":
            continue
        shown = [knowledge.taxa[leaf].cells.get(id) for leaf in knowledge.leaves]
        if not any(cell is not None and cell.applies for cell in shown):
            problems.add(KnowledgeError(f"characters: {id}", "no taxon is scored for it", "score it or take it out"))
        for state in character.states:
            if not any(cell is not None and state in cell.weights for cell in shown):
                problems.warnings.append(
                    KnowledgeError(
                        f"characters: {id}", f"no taxon shows the state {state!r}", "score it, or take it out"
                    )
                )
        if character.part not in knowledge.language.parts:
            problems.add(
                KnowledgeError(
                    f"characters: {id}", f"the part {character.part!r} has no words", "add it to words/en/parts.yaml"
                )
            )
