"""Proves the words: what means two things, and what could never be heard."""

from __future__ import annotations

from chatkey.knowledge.model import Knowledge
from chatkey.knowledge.yaml_nodes import KnowledgeError, Problems
from chatkey.understand.lexicon import Lexicon


def prove_words(knowledge: Knowledge, lexicon: Lexicon, problems: Problems) -> dict[str, int]:
    """A phrase under two states of one character is an error; under two characters a warning, counted."""
    both = 0
    phrases = 0
    for rows in lexicon.phrases.values():
        for words, meanings in rows:
            phrases += 1
            free = [meaning for meaning in meanings if not meaning.with_part and not meaning.asked_only]
            said = {meaning.character for meaning in free}
            both += len(said) > 1
            for character in said:
                states = sorted({meaning.state for meaning in free if meaning.character == character})
                if len(states) > 1:
                    what = f"{' '.join(words)!r} stands under {' and '.join(states)}"
                    problems.add(KnowledgeError(f"words: {character}", what, "keep it under one state"))
    if both:
        what = f"{both} phrases mean a state of two characters"
        problems.warnings.append(
            KnowledgeError("words", what, "both are taken as said; keep it under one if only one is meant")
        )
    return {"phrases": phrases, "intent_patterns": sum(len(rows) for rows in lexicon.patterns.values())}
