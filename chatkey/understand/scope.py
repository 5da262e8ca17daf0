"""What turns a claim round, weakens it, or takes it back: denials, hedges, contrast, either-or, corrections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from chatkey.knowledge.model import Language
from chatkey.understand.match import Span
from chatkey.understand.normalise import Token


@dataclass(frozen=True, slots=True)
class Scope:
    """How one span stands: denied, doubted, or not said at all (asked, wondered, taken back)."""

    negated: bool = False
    hedge: float = 0.0
    said: bool = True


def scopes(tokens: Sequence[Token], spans: Sequence[Span], language: Language) -> tuple[Scope, ...]:
    """The scope of each span, in order."""
    negated = [0] * len(spans)
    hedge = [0.0] * len(spans)
    said = [True] * len(spans)
    covered = {index for span in spans for index in range(span.first, span.last + 1)}
    taken = cover(tokens, language.lists["not_denying"])
    for first, last in _places(tokens, language.lists["not_said"], covered):
        taken.update(range(first, last + 1))
        for n in _following(tokens, spans, last, language):
            said[n] = False
    for first, last in _places(tokens, language.lists["deny"], covered | taken):
        reached = _denied(tokens, spans, last, language)
        if not reached:
            reached = _denied_before(tokens, spans, first, last)
        for n in reached:
            negated[n] += 1
    for first, last in _places(tokens, language.lists["deny_after"], covered | taken):
        if _ends_clause(tokens, last):
            for n in _denied_before(tokens, spans, first, last):
                negated[n] = max(negated[n], 1)
    for first, last in _places(tokens, language.lists["contrast"], covered):
        for n in _contrasted(tokens, spans, first, last, language):
            negated[n] += 1
    weights = language.numbers["hedge"]
    for first, last in _places(tokens, tuple(weights), covered):
        weight = weights[" ".join(token.text for token in tokens[first : last + 1])]
        for n in _hedged(tokens, spans, first, last, language):
            hedge[n] = max(hedge[n], weight)
    for n, span in enumerate(spans):
        if any(tokens[index].ish for index in range(span.first, span.last + 1)):
            hedge[n] = max(hedge[n], language.numbers["hedge"].get("ish", 0.4))
    _take_back(tokens, spans, said, language)
    return tuple(
        Scope(count % 2 == 1, weight, stands) for count, weight, stands in zip(negated, hedge, said, strict=True)
    )


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
    for index in range(at + 1, len(tokens)):
        token = tokens[index]
        if token.text in breaks:
            return index
        if token.is_break:
            following = tokens[index + 1].text if index + 1 < len(tokens) else ""
            if goes_on and token.text == "," and following in language.lists["denial_goes_on"]:
                continue
            return index
    return len(tokens)


def _following(tokens: Sequence[Token], spans: Sequence[Span], last: int, language: Language) -> list[int]:
    end = _clause_end(tokens, last, language)
    return [n for n, span in enumerate(spans) if last < span.first < end]


def _denied(tokens: Sequence[Token], spans: Sequence[Span], last: int, language: Language) -> list[int]:
    """The next span of the clause, and those that "or" and "nor" tie to it."""
    end = _clause_end(tokens, last, language, goes_on=True)
    inside = [n for n, span in enumerate(spans) if last < span.first < end]
    if not inside or spans[inside[0]].first - last > 5:
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
        before = [span for span in spans[:n] if span.last < first and span.kind == "claim"]
        if before and _characters(before[-1]) & _characters(spans[n]):
            return [n]
    return []


def _characters(span: Span) -> set[str]:
    return {meaning.character for meaning in span.meanings}


def _denied_before(tokens: Sequence[Token], spans: Sequence[Span], first: int, last: int) -> list[int]:
    """The span just before: "cones? none", "flat? no, square"."""
    if not _ends_clause(tokens, last):
        return []
    for n in range(len(spans) - 1, -1, -1):
        if spans[n].last < first:
            between = tokens[spans[n].last + 1 : first]
            close = all(token.text in (":", "?", "-", ",", "(") for token in between)
            return [n] if close and between else []
    return []


def _ends_clause(tokens: Sequence[Token], last: int) -> bool:
    return last + 1 >= len(tokens) or tokens[last + 1].is_break


def _hedged(tokens: Sequence[Token], spans: Sequence[Span], first: int, last: int, language: Language) -> list[int]:
    """The next span of the clause; where there is none, the one before in the same clause."""
    following = _following(tokens, spans, last, language)
    if following:
        return following[:1]
    for n in range(len(spans) - 1, -1, -1):
        if spans[n].last < first:
            between = tokens[spans[n].last + 1 : first]
            return [] if any(token.is_break and token.text != "," for token in between) else [n]
    return []


def _take_back(tokens: Sequence[Token], spans: Sequence[Span], said: list[bool], language: Language) -> None:
    """ "flat, wait, square": what stands before the correction about the same character is not said."""
    covered = {index for span in spans for index in range(span.first, span.last + 1)}
    covered |= cover(tokens, language.lists["contrast"])
    for first, last in _places(tokens, language.lists["correction"], covered):
        after = {name for span in spans if span.first > last for name in _characters(span)}
        for n, span in enumerate(spans):
            if span.last < first and _characters(span) & after:
                said[n] = False
