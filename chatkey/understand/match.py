"""Tokens to spans: misspelt words mended, phrases found (exact, in words of like meaning, in another order), and the
best set of them."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, TypeVar

from rapidfuzz import process
from rapidfuzz.distance import OSA

from chatkey.terms import Quantity
from chatkey.understand.lexicon import Lexicon, Meaning, Table
from chatkey.understand.normalise import Token, stem

V = TypeVar("V")

EXACT, ALIKE, TURNED = 1.0, 0.95, 0.85  # score of a phrase as it stands, with words of like meaning, in another order
SLACK = 2  # words beside its own that a phrase in another order may have between them
MOST_FILLERS = 6  # in a row, within a phrase
LENGTH_BONUS = 0.2

ToldBy = Literal["asked", "part", "phrase"]  # what told which of a span's meanings hold


@dataclass(frozen=True, slots=True)
class Span:
    """A run of tokens that means something. `first` and `last` are token indices, inclusive; `score` is 0 to 1."""

    first: int
    last: int
    words: tuple[str, ...]
    kind: str  # claim | name | length | nothing (a set phrase that says nothing of a plant)
    meanings: tuple[Meaning, ...] = ()
    names: tuple[str, ...] = ()
    quantity: Quantity | None = None
    score: float = EXACT
    about: Literal["length", "size", "like"] = "length"  # how a thing was named as measure: "size of", "like a"
    of: str = ""  # of a length: the character it is a length of
    by: ToldBy = "phrase"  # what told which of its meanings hold
    factor: float = 1.0  # of its weight, from what told it

    @property
    def weight(self) -> float:
        """What the span adds to a set of spans: longer runs win over the same tokens in pieces."""
        return float(len(self.words) ** 1.3) * self.score * self.factor + (
            LENGTH_BONUS if self.kind == "length" else 0.0
        )


def mend(tokens: Sequence[Token], lexicon: Lexicon) -> tuple[Token, ...]:
    """Each unknown word replaced by the one known word it is nearest to, if it is near enough."""
    return tuple(_mended(token, lexicon) for token in tokens)


def phrase_spans(tokens: Sequence[Token], lexicon: Lexicon) -> list[Span]:
    """Every phrase of the lexicon that stands in the message, overlapping ones too."""
    stems = [token.stem for token in tokens]
    spans = [
        Span(first, last, words, "claim", meanings=meanings, score=EXACT * _typed(tokens, first, last))
        for first, last, words, meanings in _runs(tokens, stems, lexicon.phrases, lexicon.fillers)
        if len(words) != 2 or not _has(tokens, first, last, lexicon)
    ]
    alike = [lexicon.alike.get(word, word) for word in stems]
    seen = {(span.first, span.last) for span in spans}
    for score, found in (
        (ALIKE, _runs(tokens, alike, lexicon.alike_phrases, lexicon.fillers)),
        (TURNED, _turned(tokens, alike, lexicon)),
    ):
        for first, last, words, meanings in found:
            if (first, last) not in seen and not (len(words) == 2 and _has(tokens, first, last, lexicon)):
                spans.append(
                    Span(first, last, words, "claim", meanings=meanings, score=score * _typed(tokens, first, last))
                )
        seen = {(span.first, span.last) for span in spans}
    spans += [
        Span(first, last, words, "nothing")
        for first, last, words, _ in _runs(tokens, [token.text for token in tokens], lexicon.idle, frozenset())
    ]
    spans += [
        Span(first, last, words, "name", names=names, score=_typed(tokens, first, last))
        for first, last, words, names in _runs(tokens, stems, lexicon.names, frozenset())
    ]
    return spans


def best_set(spans: Sequence[Span]) -> tuple[Span, ...]:
    """The heaviest set of spans that don't overlap, in order (weighted interval scheduling)."""
    ordered = sorted(spans, key=lambda span: (span.last, span.first))
    weights = [0.0]  # of the best set of the first n spans
    before = [0]  # how many of the first spans the n-th leaves room for, where it is taken; else -1
    ends = [-1]
    for span in ordered:
        fitting = bisect_left(ends, span.first) - 1
        taken = weights[fitting] + span.weight
        before.append(fitting if taken > weights[-1] else -1)
        weights.append(max(taken, weights[-1]))
        ends.append(span.last)
    chosen = []
    n = len(ordered)
    while n:
        if before[n] >= 0:
            chosen.append(ordered[n - 1])
        n = before[n] if before[n] >= 0 else n - 1
    return tuple(reversed(chosen))


def _runs(
    tokens: Sequence[Token],
    stems: Sequence[str],
    table: Table[V],
    fillers: frozenset[str],
) -> list[tuple[int, int, tuple[str, ...], tuple[V, ...]]]:
    """All places where a phrase's words stand in order with nothing but fillers between."""
    found = []
    for start, word in enumerate(stems):
        if tokens[start].is_break:
            continue
        found += [(start, start, words, values) for words, values in table.get((word,), ())]
        for second in _seconds(tokens, stems, start, fillers):
            for words, values in table.get((word, second), ()):
                last = _follow(tokens, stems, start, words, fillers)
                if last is not None:
                    found.append((start, last, words, values))
    return found


def _seconds(tokens: Sequence[Token], stems: Sequence[str], start: int, fillers: frozenset[str]) -> dict[str, None]:
    """The words that can be the second of a phrase: the next one, and those behind fillers."""
    found: dict[str, None] = {}
    for at in range(start + 1, min(len(tokens), start + 2 + MOST_FILLERS)):
        found[stems[at]] = None
        if tokens[at].text not in fillers and tokens[at].text != "-":
            break
    return found


def _follow(
    tokens: Sequence[Token], stems: Sequence[str], start: int, words: tuple[str, ...], fillers: frozenset[str]
) -> int | None:
    at = start
    for word in words[1:]:
        at += 1
        end = min(len(tokens), at + MOST_FILLERS)
        while at < end and stems[at] != word and (tokens[at].text in fillers or tokens[at].text == "-"):
            at += 1
        if at >= len(tokens) or stems[at] != word:
            return None
    return at


def _turned(
    tokens: Sequence[Token], alike: Sequence[str], lexicon: Lexicon
) -> list[tuple[int, int, tuple[str, ...], tuple[Meaning, ...]]]:
    """Where all the words of a phrase stand close together in another order: "lines under it, two, white"."""
    found = []
    for anchor, word in enumerate(alike):
        for words, meanings in lexicon.bags.get(word, ()):
            run = _around(tokens, alike, anchor, words, lexicon)
            if run is not None:
                found.append((*run, words, meanings))
    return found


def _around(
    tokens: Sequence[Token], alike: Sequence[str], anchor: int, words: tuple[str, ...], lexicon: Lexicon
) -> tuple[int, int] | None:
    """The narrowest run about the anchor that holds all the words, fillers not counted."""
    reach = len(words) - 1 + SLACK
    left = _reach(tokens, anchor, -1, reach, lexicon)
    right = _reach(tokens, anchor, 1, reach, lexicon)
    used = {anchor}
    for word in words:
        if word == alike[anchor]:
            continue
        near = [n for n in range(left, right + 1) if alike[n] == word and n not in used]
        if not near:
            return None
        used.add(min(near, key=lambda n: abs(n - anchor)))
    first, last = min(used), max(used)
    between = [
        tokens[n].text for n in range(first, last + 1) if n not in used and tokens[n].text not in lexicon.fillers
    ]
    joined = any(word in lexicon.language.lists["and_words"] for word in between)
    return (first, last) if len(between) <= len(words) - SLACK and not joined else None


def _reach(tokens: Sequence[Token], at: int, step: int, most: int, lexicon: Lexicon) -> int:
    """How far from `at` one can go in a clause without passing more than `most` words that are no fillers."""
    passed = 0
    breaks = lexicon.language.lists["clause_breaks"]
    while 0 <= at + step < len(tokens) and passed < most:
        token = tokens[at + step]
        if token.is_break or token.text in breaks:
            break
        at += step
        passed += token.text not in lexicon.fillers
    return at


def _has(tokens: Sequence[Token], first: int, last: int, lexicon: Lexicon) -> bool:
    """Something is had between the words of a run ("needles have a tiny …")."""
    having, articles = lexicon.language.lists["having"], lexicon.language.lists["articles"]
    return any(tokens[n].text in having and tokens[n + 1].text in articles for n in range(first, last))


def _typed(tokens: Sequence[Token], first: int, last: int) -> float:
    """The score of the worst word of a run: how near it was typed to the word it was taken for."""
    return min(token.score for token in tokens[first : last + 1])


def _mended(token: Token, lexicon: Lexicon) -> Token:
    word = token.text
    if token.kind != "word" or word in lexicon.known or token.stem in lexicon.known:
        return token
    for ending in lexicon.language.lists["hedging_ends"]:
        if word.endswith(ending) and len(word) > len(ending) + 2:
            root = word[: -len(ending)]
            for base in (root, root[:-1], root + "e"):  # flattish, reddish, bluish
                if base in lexicon.known:
                    return replace(token, text=base, stem=stem(base, lexicon.language), ish=True)
    if lexicon.language.is_everyday(word):
        return token
    near = _nearest(word, lexicon.vocabulary)
    if token.stem != word and (near is None or OSA.distance(word, near) > 1):
        stemmed = _nearest(token.stem, lexicon.vocabulary)  # "prickels": the ending is no slip
        near = stemmed if stemmed is not None and OSA.distance(token.stem, stemmed) == 1 else near
    if near is None:
        return token
    likeness = max(OSA.normalized_similarity(typed, near) for typed in (word, token.stem))
    return replace(token, text=near, stem=stem(near, lexicon.language), score=round(likeness, 2))


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
