"""Counts and labels of a crew: "12 more of the same", "3 dead, 5 browsed", "tag 14". Never a length, never needles."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from chatkey.knowledge.model import Language
from chatkey.understand.normalise import LONGEST, Token

Condition = Literal["dead", "dying", "browsed", "damaged", "planted", "fallen"]
CONDITIONS: tuple[Condition, ...] = get_args(Condition)
MarkKind = Literal["tag", "plot", "tree"]
MARK_KINDS: tuple[MarkKind, ...] = get_args(MarkKind)

MOST = 9999
DOZEN = 12
LABEL = r"\s*(?:#|nr\.?|no\.?|number|:)?\s*#?\s*(?P<label>[a-z]{0,3}-?\d{1,6}[a-z]?)(?![\w.,]*\d|\w)"
NUMBER_MARK = r"\s*#\s*(?P<label>\d{3,6})(?!\w)"  # "tree #212" is what is nailed to it; "tree #2" is one of ours


@dataclass(frozen=True, slots=True)
class Tally:
    """So many more like the tree in hand (or fewer), and how many are dead, browsed …; `span` as in the message."""

    more: int = 0
    of: tuple[tuple[Condition, int], ...] = ()
    span: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True)
class Mark:
    """The number on a tag or of a plot, as it was written."""

    kind: MarkKind
    label: str


@dataclass(frozen=True, slots=True)
class Counted:
    """What was counted in a message, and the message with blanks where that stood."""

    tally: Tally | None
    marks: tuple[Mark, ...]
    rest: str


@dataclass(frozen=True, slots=True)
class _Part:
    """What one clause counts. `all_of`: of those that were just counted ("both dead")."""

    more: int = 0
    of: tuple[Condition, int] | None = None
    all_of: Condition | None = None


def find_counted(text: str, tokens: Sequence[Token], language: Language) -> Counted | None:
    """The tally and the labels of a message; None where there are none. A tally fills a clause of its own."""
    marks, taken = _marks(text[:LONGEST], language.tally)
    tally, spans = _tally([token for token in tokens if not _inside(token, taken)], language)
    if not marks and tally is None:
        return None
    return Counted(tally, marks, _blanked(text, [*taken, *spans]))


def _marks(text: str, words_of: Mapping[str, Sequence[str]]) -> tuple[tuple[Mark, ...], list[tuple[int, int]]]:
    """Labels with where they stand."""
    found, spans = [], []
    for kind in MARK_KINDS:
        words = "|".join(re.escape(word) for word in words_of.get(f"mark_{kind}", ()))
        behind = NUMBER_MARK if kind == "tree" else LABEL
        for match in re.finditer(rf"(?<!\w)(?:{words}){behind}", text, re.IGNORECASE) if words else ():
            found.append(Mark(kind, match["label"]))
            spans.append(match.span())
    return tuple(found), spans


def _tally(tokens: Sequence[Token], language: Language) -> tuple[Tally | None, list[tuple[int, int]]]:
    """All that the clauses of a message count, with where they stand."""
    more, spans = 0, []
    of: dict[Condition, int] = {}
    for clause in _clauses(tokens, language):
        part = _part(clause, language)
        if part is None or (part.all_of and not more):
            continue
        spans.append((clause[0].span[0], clause[-1].span[1]))
        more += part.more
        condition, number = (part.all_of, more) if part.all_of else part.of or (None, 0)
        if condition is not None:
            of[condition] = of.get(condition, 0) + number
    if not spans:
        return None, []
    return Tally(more, tuple(of.items()), spans[0]), spans


def _clauses(tokens: Sequence[Token], language: Language) -> Iterator[list[Token]]:
    """The words between two breaks or joints ("and")."""
    clause: list[Token] = []
    for token in tokens:
        if token.is_break or token.text in language.lists["and_words"]:
            if clause:
                yield clause
            clause = []
        else:
            clause.append(token)
    if clause:
        yield clause


def _part(clause: Sequence[Token], language: Language) -> _Part | None:
    """What a clause counts if that is all it says."""
    words = _without([token.text for token in clause], language.tally.get("beside", ()))
    rest, takes = _after(words, language.tally.get("minus", ()))
    if not takes:
        rest, adds = _after(words, language.tally.get("plus", ()))
        all_of, condition = _after(rest, language.tally.get("all", ()))
        if condition and (named := _condition(all_of, language)):
            return _Part(all_of=named)
    else:
        adds = False
    number = _number(rest[0], language) if rest else None
    if number is None:
        return None
    rest, more = _after(rest[1:], language.tally.get("more", ()))
    rest, same = _after(rest, language.tally.get("same", ()))
    if takes:
        return _taken_off(rest, number, language)
    if " ".join(rest) in language.tally.get("less", ()):
        return _Part(-number)
    return _added(rest, number, language, more=more or adds, same=same)


def _taken_off(rest: Sequence[str], number: int, language: Language) -> _Part | None:
    if not rest:
        return _Part(-number)
    condition = _condition(rest, language)
    return _Part(of=(condition, -number)) if condition else None


def _added(rest: Sequence[str], number: int, language: Language, *, more: bool, same: bool) -> _Part | None:
    """ "12 more", "20 like this", "2 more dead", "3 dead". One more alone is the next tree."""
    condition = _condition(rest, language)
    if rest and condition is None:
        return None
    if condition is not None:
        return _Part(number if more or same else 0, (condition, number))
    return _Part(number) if same or (more and number > 1) else None


def _condition(words: Sequence[str], language: Language) -> Condition | None:
    """The condition that some words are, as a whole."""
    said = " ".join(words)
    return next((one for one in CONDITIONS if said in language.tally.get(one, ())), None)


def _number(word: str, language: Language) -> int | None:
    value = DOZEN if word in language.tally.get("dozen", ()) else language.numbers["numbers"].get(word)
    if value is None and re.fullmatch(r"\d{1,4}", word):
        value = int(word)
    return int(value) if value is not None and 0 < value <= MOST and value == int(value) else None


def _after(words: Sequence[str], phrases: Sequence[str]) -> tuple[tuple[str, ...], bool]:
    """The words behind the longest phrase they begin with, and whether there was one."""
    for phrase in sorted(phrases, key=len, reverse=True):
        opening = tuple(phrase.split())
        if tuple(words[: len(opening)]) == opening:
            return tuple(words[len(opening) :]), True
    return tuple(words), False


def _without(words: Sequence[str], beside: Sequence[str]) -> tuple[str, ...]:
    """The words without small talk before and behind ("ok", "we have", "here")."""
    first, last = 0, len(words)
    while first < last and words[first] in beside:
        first += 1
    while last > first and words[last - 1] in beside:
        last -= 1
    return tuple(words[first:last])


def _inside(token: Token, spans: Sequence[tuple[int, int]]) -> bool:
    return any(token.span[0] < end and token.span[1] > start for start, end in spans)


def _blanked(text: str, spans: Sequence[tuple[int, int]]) -> str:
    """The text with blanks for what was counted, so that all else keeps its place."""
    for start, end in spans:
        text = text[:start] + " " * (end - start) + text[end:]
    return text
