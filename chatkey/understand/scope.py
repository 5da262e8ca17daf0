"""What turns a claim round, weakens it, or takes it back: denials, hedges, contrast, either-or, corrections."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from chatkey.knowledge.model import Language
from chatkey.understand.match import Span
from chatkey.understand.normalise import Token

CueKind = Literal["denied", "contrast", "hedged", "not said", "taken back"]
REACH = 30  # tokens that a denial or a doubt can reach over
HEDGED_BY_ENDING = 0.4  # "flattish"


@dataclass(frozen=True, slots=True)
class Cue:
    """Words of the message that turned, weakened or took back a span."""

    kind: CueKind
    words: str
    span: tuple[int, int]  # code points of the message


@dataclass(frozen=True, slots=True)
class Scope:
    """How one span stands: denied, doubted, or not said at all (asked, wondered, taken back), and for which words."""

    negated: bool = False
    hedge: float = 0.0
    said: bool = True
    cues: tuple[Cue, ...] = ()


class _Standing:
    """The scopes of a message as they are worked out."""

    def __init__(self, tokens: Sequence[Token], spans: Sequence[Span]) -> None:
        self.tokens = tokens
        self.denials = [0] * len(spans)
        self.hedges = [0.0] * len(spans)
        self.said = [True] * len(spans)
        self.cues: list[list[Cue]] = [[] for _ in spans]

    def cue(self, reached: Sequence[int], kind: CueKind, first: int, last: int) -> None:
        words = " ".join(token.text for token in self.tokens[first : last + 1])
        for n in reached:
            self.cues[n].append(Cue(kind, words, (self.tokens[first].span[0], self.tokens[last].span[1])))

    def deny(self, reached: Sequence[int], first: int, last: int, kind: CueKind = "denied") -> None:
        for n in reached:
            self.denials[n] += 1
        self.cue(reached, kind, first, last)

    def doubt(self, reached: Sequence[int], weight: float, first: int, last: int) -> None:
        for n in reached:
            self.hedges[n] = max(self.hedges[n], weight)
        self.cue(reached, "hedged", first, last)

    def unsay(self, reached: Sequence[int], kind: CueKind, first: int, last: int) -> None:
        for n in reached:
            self.said[n] = False
        self.cue(reached, kind, first, last)

    def scopes(self) -> tuple[Scope, ...]:
        """Two denials make none."""
        rows = zip(self.denials, self.hedges, self.said, self.cues, strict=True)
        return tuple(Scope(count % 2 == 1, hedge, said, tuple(cues)) for count, hedge, said, cues in rows)


def scopes(tokens: Sequence[Token], spans: Sequence[Span], language: Language) -> tuple[Scope, ...]:
    """The scope of each span, in order."""
    standing = _Standing(tokens, spans)
    covered = {index for span in spans for index in range(span.first, span.last + 1)}
    taken = cover(tokens, language.lists["not_denying"]) | cover(tokens, _doubts_with_a_no(language))
    for first, last in _places(tokens, language.lists["not_said"], covered):
        taken.update(range(first, last + 1))
        standing.unsay(_following(tokens, spans, last, language), "not said", first, last)
    _deny(standing, tokens, spans, covered | taken, language)
    _contrast(standing, tokens, spans, covered, language)
    _hedge(standing, tokens, spans, covered, language)
    _take_back(standing, tokens, spans, language)
    return standing.scopes()


def _deny(
    standing: _Standing, tokens: Sequence[Token], spans: Sequence[Span], leave_out: set[int], language: Language
) -> None:
    """ "not X", "no X or Y", "X? no", "X: none"."""
    for first, last in _places(tokens, language.lists["deny"], leave_out):
        reached = _denied(tokens, spans, last, language) or _denied_before(tokens, spans, first, last, language)
        concord = language.lists["concord"]
        if tokens[first].text in concord:  # "don't feel no dot" denies once
            reached = [n for n in reached if not standing.denials[n]]
        reached = [n for n in reached if not set(spans[n].words) & set(concord) and not _is_height(spans[n])]
        standing.deny(reached, first, last)
    for first, last in _places(tokens, language.lists["deny_after"], leave_out):
        reached = _denied_before(tokens, spans, first, last, language)
        standing.deny([n for n in reached if not standing.denials[n]], first, last)


def _doubts_with_a_no(language: Language) -> tuple[str, ...]:
    """ "I don't know, flat?" denies nothing."""
    return _with_any(tuple(language.numbers["hedge"]), tuple(language.lists["deny"]))


@lru_cache(maxsize=8)
def _with_any(phrases: tuple[str, ...], words: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(phrase for phrase in phrases if not set(words).isdisjoint(phrase.split()))


def _is_height(span: Span) -> bool:
    """Of "nothing over 500 feet" the height stands."""
    return span.kind == "claim" and span.words[0] == "#"


def _contrast(
    standing: _Standing, tokens: Sequence[Token], spans: Sequence[Span], covered: set[int], language: Language
) -> None:
    """ "flat rather than round", "more flat than round", "less flat than round"."""
    openers = language.texts["contrast_openers"]
    for first, last in _places(tokens, language.lists["contrast"], covered):
        for n in _contrasted(tokens, spans, first, last, language):
            before = _last_before(spans, first) or 0
            start = max(0, spans[before].first - 4)
            opened = [word for word, kept in openers.items() if kept == "second" and _opens(tokens, start, first, word)]
            standing.deny([before if opened else n], first, last, "contrast")


def _opens(tokens: Sequence[Token], start: int, end: int, phrase: str) -> bool:
    words = phrase.split()
    texts = [token.text for token in tokens[start:end]]
    return any(texts[n : n + len(words)] == words for n in range(len(texts)))


def _hedge(
    standing: _Standing, tokens: Sequence[Token], spans: Sequence[Span], covered: set[int], language: Language
) -> None:
    """ "kinda X", "X i think", "Xish"."""
    weights = language.numbers["hedge"]
    for first, last in _places(tokens, tuple(weights), covered):
        weight = weights[" ".join(token.text for token in tokens[first : last + 1])]
        forward = " ".join(token.text for token in tokens[first : last + 1]) in language.lists["forward_doubts"]
        standing.doubt(_hedged(tokens, spans, first, last, language, forward=forward), weight, first, last)
    for n, span in enumerate(spans):
        for index in range(span.first, span.last + 1):
            if tokens[index].ish:
                standing.doubt([n], HEDGED_BY_ENDING, index, index)


def _places(tokens: Sequence[Token], phrases: Sequence[str], leave_out: set[int]) -> list[tuple[int, int]]:
    """Where any of the phrases stands, longest first, none twice; tokens left out (a claim's own words) don't count."""
    index = _by_first_word(tuple(phrases))
    texts = [token.text for token in tokens]
    runs = [
        (first, first + len(words) - 1)
        for first, text in enumerate(texts)
        for words in index.get(text, ())
        if texts[first : first + len(words)] == words
    ]
    found: list[tuple[int, int]] = []
    used = set(leave_out)
    for first, last in sorted(runs, key=lambda run: run[0] - run[1]):
        run = range(first, last + 1)
        if not used.intersection(run):
            found.append((first, last))
            used.update(run)
    return sorted(found)


@lru_cache(maxsize=64)
def _by_first_word(phrases: tuple[str, ...]) -> dict[str, list[list[str]]]:
    found: dict[str, list[list[str]]] = {}
    for phrase in phrases:
        words = phrase.split()
        found.setdefault(words[0], []).append(words)
    return found


def cover(tokens: Sequence[Token], phrases: Sequence[str]) -> set[int]:
    return {index for first, last in _places(tokens, phrases, set()) for index in range(first, last + 1)}


def _clause_end(tokens: Sequence[Token], at: int, language: Language, *, goes_on: bool = False) -> int:
    """The index where the clause of token `at` ends (exclusive)."""
    breaks = {phrase for phrase in language.lists["clause_breaks"] if " " not in phrase}
    end = min(len(tokens), at + 1 + REACH)
    for index in range(at + 1, end):
        token = tokens[index]
        if token.text in breaks:
            return index
        if token.is_break:
            following = tokens[index + 1].text if index + 1 < len(tokens) else ""
            if goes_on and token.text == "," and following in language.lists["denial_goes_on"]:
                continue
            return index
    return end


def _following(tokens: Sequence[Token], spans: Sequence[Span], last: int, language: Language) -> list[int]:
    return _within(spans, last, _clause_end(tokens, last, language))


def _within(spans: Sequence[Span], last: int, end: int) -> list[int]:
    """The spans that begin behind the token `last` and before `end`."""
    starts = (bisect_left(spans, at, key=lambda span: span.first) for at in (last + 1, end))
    return list(range(*starts))


def _last_before(spans: Sequence[Span], first: int) -> int | None:
    """The last span that ends before the token `first`."""
    at = bisect_left(spans, first, key=lambda span: span.last)
    return at - 1 if at else None


def _denied(tokens: Sequence[Token], spans: Sequence[Span], last: int, language: Language) -> list[int]:
    """The next span of the clause, and those that "or" and "nor" tie to it."""
    end = _clause_end(tokens, last, language, goes_on=True)
    inside = _within(spans, last, end)
    if not inside or spans[inside[0]].first - last > 5:
        return []
    if _places(tokens[last + 1 : spans[inside[0]].first], language.lists["said_instead"], set()):
        return []
    reached = [inside[0]]
    for n in inside[1:]:
        between = [token.text for token in tokens[spans[reached[-1]].last + 1 : spans[n].first]]
        tied = any(word in language.lists["denial_goes_on"] for word in between)
        if not tied or any(word in language.lists["deny"] for word in between):
            break  # a denial of its own speaks for itself
        reached.append(n)
    return reached


def _contrasted(tokens: Sequence[Token], spans: Sequence[Span], first: int, last: int, language: Language) -> list[int]:
    """The second of two states of one character: "flat rather than round"."""
    following = [n for n in _following(tokens, spans, last, language)[:1] if spans[n].kind == "claim"]
    for n in following:
        m = _last_before(spans, first)
        before = spans[m] if m is not None and spans[m].kind == "claim" else None
        if before and _states(before) != _states(spans[n]) and _characters(before) & _characters(spans[n]):
            return [n]
    return []


def _states(span: Span) -> set[tuple[str, str]]:
    return {(meaning.character, meaning.state) for meaning in span.meanings if not meaning.asked_only}


def _characters(span: Span) -> set[str]:
    return {meaning.character for meaning in span.meanings}


def _denied_before(
    tokens: Sequence[Token], spans: Sequence[Span], first: int, last: int, language: Language
) -> list[int]:
    """The span just before: "cones? none", "flat? no, square", "silver bud? nah brown"."""
    n = _last_before(spans, first)
    if n is None:
        return []
    between = [token.text for token in tokens[spans[n].last + 1 : first]]
    close = bool(between) and all(text in (":", "?", "-", ",", "(") for text in between)
    return [n] if close and (between == ["?"] or _ends_clause(tokens, last, language)) else []


def _ends_clause(tokens: Sequence[Token], last: int, language: Language) -> bool:
    if last + 1 >= len(tokens):
        return True
    return tokens[last + 1].is_break or tokens[last + 1].text in language.lists["clause_breaks"]


def _hedged(
    tokens: Sequence[Token], spans: Sequence[Span], first: int, last: int, language: Language, *, forward: bool
) -> list[int]:
    """The next span of the clause; where there is none, the one before, unless the doubt only looks ahead ("kinda")."""
    following = _following(tokens, spans, last, language)
    if following or forward:
        return following[:1]
    n = _last_before(spans, first)
    if n is None or any(token.is_break and token.text != "," for token in tokens[spans[n].last + 1 : first]):
        return []
    return [n]


def _take_back(standing: _Standing, tokens: Sequence[Token], spans: Sequence[Span], language: Language) -> None:
    """ "flat, wait, square": what stands before the correction about the same character is not said."""
    covered = {index for span in spans for index in range(span.first, span.last + 1)}
    covered |= cover(tokens, language.lists["contrast"])
    for first, last in _places(tokens, language.lists["correction"], covered):
        after = {name for span in spans if span.first > last for name in _characters(span)}
        before = [n for n, span in enumerate(spans) if span.last < first and _characters(span) & after]
        standing.unsay(before, "taken back", first, last)
