"""Whether a message is in the language that is spoken here: by its letters, and by small words of other languages."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from chatkey.understand.lexicon import Lexicon
from chatkey.understand.normalise import Token

LAST_LATIN_LETTER = 0x24F  # Latin Extended-B ends here
FEWEST_LETTERS = 3
FEWEST_WORDS = 2  # of another language
MOST_OWN = 0.4  # share of words that this language has and the other has not


def is_spoken(text: str, tokens: Sequence[Token], lexicon: Lexicon) -> bool:
    """False where most letters are of another script, or most words of another language. `tokens` as typed."""
    return not _other_letters(text) and not _other_words(tokens, lexicon)


def _other_letters(text: str) -> bool:
    letters = [character for character in text if character.isalpha()]
    strange = sum(ord(character) > LAST_LATIN_LETTER for character in letters)
    return len(letters) >= FEWEST_LETTERS and strange > len(letters) / 2


def _other_words(tokens: Sequence[Token], lexicon: Lexicon) -> bool:
    words = [_plain(token.text) for token in tokens if token.kind == "word"]
    if len(words) < FEWEST_WORDS:
        return False
    for foreign in lexicon.language.foreign.values():
        theirs = sum(word in foreign for word in words)
        if theirs < FEWEST_WORDS or theirs <= len(words) / 3:
            continue
        ours = sum(_is_ours(word, lexicon) and word not in foreign for word in words)
        only_theirs = sum(word in foreign and not _is_ours(word, lexicon) for word in words)
        if only_theirs >= FEWEST_WORDS and ours <= MOST_OWN * len(words):
            return True
    return False


def _is_ours(word: str, lexicon: Lexicon) -> bool:
    return word in lexicon.known or lexicon.language.is_everyday(word)


def _plain(word: str) -> str:
    """Without accents: people leave them out."""
    split = unicodedata.normalize("NFD", word)
    return "".join(letter for letter in split if not unicodedata.combining(letter))
