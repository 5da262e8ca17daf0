"""Tokens to spans: exact phrases first, misspelt words mended with cut-offs by length, then the best set of spans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeVar

from rapidfuzz import process
from rapidfuzz.distance import OSA

from chatkey.terms import Quantity
from chatkey.understand.lexicon import Lexicon, Meaning
from chatkey.understand.normalise import Token, stem

V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Span:
    """A run of tokens that means something. `first` and `last` are token indices, inclusive."""

    first: int
    last: int
    words: tuple[str, ...]
    kind: str  # claim | name | length | count
    meanings: tuple[Meaning, ...] = ()
    names: tuple[str, ...] = ()
    quantity: Quantity | None = None

    @property
    def weight(self) -> float:
        """What the span adds to a set of spans: longer runs win over the same tokens in pieces."""
        return float(len(self.words) ** 1.3) + (0.2 if self.kind in ("length", "count") else 0.0)


def mend(tokens: Sequence[Token], lexicon: Lexicon) -> tuple[Token, ...]:
    """Each unknown word replaced by the one known word it is nearest to, if it is near enough."""
    return tuple(_mended(token, lexicon) for token in tokens)


def phrase_spans(tokens: Sequence[Token], lexicon: Lexicon) -> list[Span]:
    """Every phrase of the lexicon that stands in the message, overlapping ones too."""
    spans = [
        Span(first, last, words, "claim", meanings=meanings)
        for first, last, words, meanings in _runs(tokens, lexicon.phrases, lexicon.fillers)
    ]
    spans += [
        Span(first, last, words, "name", names=names)
        for first, last, words, names in _runs(tokens, lexicon.names, frozenset())
    ]
    return spans


def best_set(spans: Sequence[Span]) -> tuple[Span, ...]:
    """The heaviest set of spans that don't overlap, in order (weighted interval scheduling)."""
    ordered = sorted(spans, key=lambda span: (span.last, span.first))
    best: list[tuple[float, tuple[Span, ...]]] = [(0.0, ())]
    ends = [-1]
    for span in ordered:
        fitting = max(i for i, end in enumerate(ends) if end < span.first)
        taken = (best[fitting][0] + span.weight, (*best[fitting][1], span))
        best.append(taken if taken[0] > best[-1][0] else best[-1])
        ends.append(span.last)
    return best[-1][1]


def _runs(
    tokens: Sequence[Token],
    table: Mapping[str, Sequence[tuple[tuple[str, ...], tuple[V, ...]]]],
    fillers: frozenset[str],
) -> list[tuple[int, int, tuple[str, ...], tuple[V, ...]]]:
    """All places where a phrase's words stand in order with nothing but fillers between."""
    stems = [stem(token.text) for token in tokens]
    found = []
    for start, word in enumerate(stems):
        if tokens[start].is_break:
            continue
        for words, values in table.get(word, ()):
            last = _follow(tokens, stems, start, words, fillers)
            if last is not None:
                found.append((start, last, words, values))
    return found


def _follow(
    tokens: Sequence[Token], stems: Sequence[str], start: int, words: tuple[str, ...], fillers: frozenset[str]
) -> int | None:
    at = start
    for word in words[1:]:
        at += 1
        while at < len(tokens) and stems[at] != word and tokens[at].text in fillers and not tokens[at].is_break:
            at += 1
        if at >= len(tokens) or stems[at] != word:
            return None
    return at


def _mended(token: Token, lexicon: Lexicon) -> Token:
    word = token.text
    if token.kind != "word" or word in lexicon.known or stem(word) in lexicon.known:
        return token
    if word.endswith("ish") and len(word) > 5:
        for base in (word[:-3], word[:-4], word[:-3] + "e"):
            if base in lexicon.known:
                return replace(token, text=base, ish=True)
    near = _nearest(word, lexicon.vocabulary)
    return replace(token, text=near) if near else token


@lru_cache(maxsize=20_000)
def _nearest(word: str, vocabulary: tuple[str, ...]) -> str | None:
    """The nearest known word, the commonest of several. The first letter must be right; a word of four letters may only
    lack one; up to six letters one slip is mended (a swap counts as one), from seven on two."""
    if len(word) < 4 or len(word) > 24:
        return None
    allowed = 1 if len(word) < 7 else 2
    found = process.extract(word, vocabulary, scorer=OSA.distance, score_cutoff=allowed, limit=None)
    same = [(candidate, distance) for candidate, distance, _ in found if candidate[0] == word[0]]
    if len(word) == 4:
        same = [(candidate, distance) for candidate, distance in same if len(candidate) == 5]
        return same[0][0] if len(same) == 1 else None
    if not same:
        return None
    least = min(distance for _, distance in same)
    nearest = [candidate for candidate, distance in same if distance == least]
    order = {candidate: n for n, candidate in enumerate(vocabulary) if candidate in nearest}
    return min(nearest, key=lambda candidate: order[candidate]) if len(nearest) == 1 or least == 1 else None
