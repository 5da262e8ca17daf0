"""Lengths as people write them: "about 2 1/2 in", "3-4 cm", "half an inch", "long as my finger"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from chatkey.knowledge.model import Language
from chatkey.terms import MeasuredBy, Quantity
from chatkey.understand.lexicon import Meaning
from chatkey.understand.match import Span
from chatkey.understand.normalise import Token

LONGEST_MM = 700.0  # longer than any needle or cone: a tree's height, not a length of ours
OPEN = 3.0  # an open end ("under an inch") is closed at this factor
A_BIT_MORE = 1.3  # "an inch and a bit" is up to so many times an inch
SHORT_UNIT = 2  # letters of a unit that may be another word ("in")


@dataclass(frozen=True, slots=True)
class _Read:
    """A number or a length as read so far: its two ends, and the index behind it."""

    low: float
    high: float
    after: int


def length_spans(tokens: Sequence[Token], language: Language, *, asked: bool = False) -> list[Span]:
    """Every length in the message, in mm. `asked`: a length was asked for, so that a bare number is one."""
    spans = []
    at = 0
    while at < len(tokens):
        span = _measured(tokens, at, language, asked=asked) or _thing(tokens, at, language)
        if span is None:
            at += 1
            continue
        spans.append(_bounded(tokens, span, language))
        at = span.last + 1
    kept = [span for span in spans if span.quantity and span.quantity.low <= LONGEST_MM]
    return [span for span in kept if not _is_width(tokens, span, language)]


def elevation_spans(tokens: Sequence[Token], language: Language) -> list[Span]:
    """Heights above the sea ("4200 ft"), as a state of the character that asks for them."""
    told = language.elevation
    if told is None:
        return []
    spans = []
    for at in range(len(tokens)):
        if at and tokens[at - 1].kind == "number":
            continue
        number = _number(tokens, at, language)
        unit = _unit(tokens, number.after, language) if number else None
        if number is None or unit is None:
            continue
        metres = number.low * unit[0] / 1000
        if metres >= told.least_metres:
            state = told.high if metres >= told.from_metres else told.low
            spans.append(Span(at, unit[1], ("#",) * (unit[1] - at + 1), "claim", (Meaning(told.character, state),)))
    return spans


def _measured(tokens: Sequence[Token], at: int, language: Language, *, asked: bool) -> Span | None:
    """A number, or two with a dash or "to" between, and a unit; a unit alone counts for one ("inch and a half")."""
    first = _number(tokens, at, language) or _bare_unit(tokens, at, language)
    if first is None:
        return None
    low, high, after = first.low, first.high, first.after
    unit = _unit(tokens, after, language)
    joint = after if unit is None else unit[1] + 1
    if _joins(tokens, at, joint, language):
        second = _number(tokens, joint + 1, language)
        size = _unit(tokens, second.after, language) if second else None
        if second is not None and size is not None:
            own = unit[0] / size[0] if unit else 1.0
            low, high = min(low * own, second.low), max(high * own, second.high)
            unit, after = size, second.after
        elif second is not None and unit is None and asked:
            low, high, after = min(low, second.low), max(high, second.high), second.after
    if unit is None:
        unit = _unspoken_unit(tokens, after, language, asked=asked)
        if unit is None:
            return None
    last = unit[1]
    for read, spread in ((_and_a_part, False), (_and_a_bit, True)):
        extra = read(tokens, last + 1, language)
        if extra is not None:
            low, high, last = (
                (low, high * extra[0], extra[1]) if spread else (low + extra[0], high + extra[0], extra[1])
            )
            break
    if low <= 0:
        return None
    quantity = Quantity(low * unit[0], high * unit[0], _how(tokens, language))
    return Span(at, last, ("#",) * (last - at + 1), "length", quantity=quantity)


def _joins(tokens: Sequence[Token], at: int, joint: int, language: Language) -> bool:
    """A dash, a "to" or an "or" between two numbers; an "and" only where "between" opens."""
    if joint >= len(tokens) or tokens[joint].text not in language.bounds.get("between", ()):
        return False
    opened = at > 0 and tokens[at - 1].text in language.bounds.get("between_opens", ())
    return opened or tokens[joint].text not in language.lists["and_words"]


def _number(tokens: Sequence[Token], at: int, language: Language) -> _Read | None:
    """The number that begins here: "2", "2 1/2", "half a", "a", "2 and a half", "couple of", "3/4 of an"."""
    if at >= len(tokens):
        return None
    token = tokens[at]
    if token.kind == "number":
        return _digits(tokens, at, language)
    if token.text in language.fractions and token.kind == "word":
        value = language.fractions[token.text]
        return _Read(value, value, _past(tokens, at + 1, language.lists["small_words"]))
    if token.text in language.lists["articles"] and at + 1 < len(tokens):
        following = tokens[at + 1].text
        if following in language.fractions or following in language.numbers["numbers"]:
            return _number(tokens, at + 1, language)
        return _Read(1.0, 1.0, at + 1) if following in language.units and len(following) > SHORT_UNIT - 1 else None
    if token.text in language.numbers["numbers"] and token.text in language.lists["loose_numbers"]:
        value = language.numbers["numbers"][token.text]
        return _Read(value, value, _past(tokens, at + 1, language.lists["small_words"]))
    return None


def _digits(tokens: Sequence[Token], at: int, language: Language) -> _Read:
    """A number in digits and the fraction behind it."""
    value, after = _value(tokens[at].text), at + 1
    if "/" in tokens[at].text:
        return _Read(value, value, _past(tokens, after, language.lists["small_words"]))
    dash = after < len(tokens) and tokens[after].text == "-"
    fraction = after + dash
    if fraction < len(tokens) and tokens[fraction].kind == "number" and "/" in tokens[fraction].text:
        value += _value(tokens[fraction].text)
        return _Read(value, value, fraction + 1)
    extra = _and_a_part(tokens, after, language)
    if extra is not None:
        return _Read(value + extra[0], value + extra[0], extra[1] + 1)
    if after < len(tokens) and tokens[after].text in language.fractions:
        value *= language.fractions[tokens[after].text]
        return _Read(value, value, _past(tokens, after + 1, language.lists["small_words"]))
    return _Read(value, value, after)


def _bare_unit(tokens: Sequence[Token], at: int, language: Language) -> _Read | None:
    """ "Inch and a half", "inch long", "inch or so": one of it."""
    token = tokens[at]
    if token.kind != "word" or token.text not in language.units or len(token.text) <= SHORT_UNIT:
        return None
    following = tokens[at + 1].text if at + 1 < len(tokens) else ""
    goes_on = _and_a_part(tokens, at + 1, language) or _and_a_bit(tokens, at + 1, language)
    return _Read(1.0, 1.0, at) if goes_on or following in language.lists["behind_a_unit"] else None


def _unit(tokens: Sequence[Token], at: int, language: Language) -> tuple[float, int] | None:
    """Size of the unit in mm and its index. A dash and words of doubt may stand before it ("4-ish inches")."""
    at = _past(tokens, at, ("-", *language.lists["hedging_ends"]))
    if at >= len(tokens) or tokens[at].text not in language.units:
        return None
    following = tokens[at + 1].text if at + 1 < len(tokens) else ""
    if tokens[at].text in language.lists["doubtful_units"] and (
        following in language.not_units_before or _is_bare_number(tokens, at + 1, language)
    ):
        return None  # "5 in most", "20 in one"
    return language.units[tokens[at].text], at


def _unspoken_unit(tokens: Sequence[Token], after: int, language: Language, *, asked: bool) -> tuple[float, int] | None:
    """The unit of a bare number where a length was asked ("1-1.5"), or of a fraction ("scales 1/16")."""
    last = after - 1
    ends = after >= len(tokens) or tokens[after].is_break or tokens[after].text in language.bounds.get("about", ())
    fraction = tokens[last].kind == "number" and "/" in tokens[last].text
    spelled = tokens[last].text == "1" and tokens[last].span[1] - tokens[last].span[0] > 1
    if spelled:  # "skip this one"
        return None
    unspoken = next((language.units[unit] for unit in language.lists["unspoken_unit"]), None)
    if unspoken and ends and tokens[last].kind == "number" and (asked or fraction):
        return unspoken, last
    return None


def _is_bare_number(tokens: Sequence[Token], at: int, language: Language) -> bool:
    """A number with no unit behind it."""
    if at >= len(tokens) or tokens[at].kind != "number":
        return False
    return at + 1 >= len(tokens) or tokens[at + 1].text not in language.units


def _and_a_part(tokens: Sequence[Token], at: int, language: Language) -> tuple[float, int] | None:
    """ "and a half", "and 1/2": the fraction and the index of its last token."""
    if at >= len(tokens) or tokens[at].text not in language.lists["and_words"]:
        return None
    following = _past(tokens, at + 1, (*language.lists["articles"], "1"))
    if following < len(tokens) and tokens[following].text in language.fractions:
        return language.fractions[tokens[following].text], following
    if at + 1 < len(tokens) and tokens[at + 1].kind == "number" and "/" in tokens[at + 1].text:
        return _value(tokens[at + 1].text), at + 1
    return None


def _and_a_bit(tokens: Sequence[Token], at: int, language: Language) -> tuple[float, int] | None:
    """ "and a bit": the factor up to which it may be more, and the index of its last token."""
    for phrase in language.bounds.get("a_bit_more", ()):
        words = phrase.split()
        if [token.text for token in tokens[at : at + len(words)]] == words:
            return A_BIT_MORE, at + len(words) - 1
    return None


def _thing(tokens: Sequence[Token], at: int, language: Language) -> Span | None:
    """A body or pocket measure after a cue of size: "long as my finger", "size of a quarter"."""
    for words, kind in _cues(tuple(language.cues.items())).get(tokens[at].text, ()):
        if [token.text for token in tokens[at : at + len(words)]] != words:
            continue
        plain = " ".join(words) in language.lists["plain_cues"]
        after = _past(tokens, at + len(words), language.lists["before_a_thing"])
        found = _named_thing(tokens, after, language, plain_like=plain)
        if found is not None:
            low, high, last = found
            about: Literal["length", "size", "like"] = "like" if plain else "size" if kind == "size" else "length"
            quantity = Quantity(low, high, "thumb")
            return Span(at, last, ("#",) * (last - at + 1), "length", quantity=quantity, about=about)
    return None


@lru_cache(maxsize=16)
def _cues(cues: tuple[tuple[str, tuple[str, ...]], ...]) -> dict[str, list[tuple[list[str], str]]]:
    """The cues in words, by their first word, each with its kind."""
    found: dict[str, list[tuple[list[str], str]]] = {}
    for kind, phrases in cues:
        for phrase in phrases:
            words = phrase.split()
            found.setdefault(words[0], []).append((words, kind))
    return found


def _named_thing(
    tokens: Sequence[Token], at: int, language: Language, *, plain_like: bool
) -> tuple[float, float, int] | None:
    best: tuple[float, float, int] | None = None
    for thing in language.things:
        if plain_like and thing.id in language.not_after_like:
            continue
        for phrase in thing.words:
            words = phrase.split()
            run = tokens[at : at + len(words)]
            texts = [token.text.removesuffix("'s") for token in run]
            singular = [*texts[:-1], run[-1].stem] if run else []
            if words in (texts, singular) and (best is None or at + len(words) - 1 > best[2]):
                best = (thing.low, thing.high, at + len(words) - 1)
    return best


def _bounded(tokens: Sequence[Token], span: Span, language: Language) -> Span:
    """ "under an inch", "at least 2 in", "3 in or more": an open interval, closed at a factor of three."""
    quantity = span.quantity
    if quantity is None:
        return span
    texts = [token.text for token in tokens]
    for kind in ("at_most", "at_least"):
        for phrase in sorted(language.bounds.get(kind, ()), key=len, reverse=True):
            words = phrase.split()
            inside = texts[span.first : span.first + len(words)] == words
            front = span.first >= len(words) and texts[span.first - len(words) : span.first] == words
            starts = (span.last + 1, span.last + 2)  # "3 in or more", "a foot long or more"
            back = phrase in language.lists["bounds_behind"] and any(texts[n : n + len(words)] == words for n in starts)
            if inside or front or back:
                low, high = quantity.low, quantity.high
                low, high = (low / OPEN, high) if kind == "at_most" else (low, high * OPEN)
                first = span.first - len(words) if front and not inside else span.first
                return replace(
                    span,
                    first=first,
                    words=("#",) * (span.last - first + 1),
                    quantity=Quantity(low, high, quantity.measured_by),
                )
    return span


def _is_width(tokens: Sequence[Token], span: Span, language: Language) -> bool:
    following = [token.text for token in tokens[span.last + 1 : span.last + 2]]
    return any(word in language.lists["width_words"] + language.lists["height_words"] for word in following)


def _how(tokens: Sequence[Token], language: Language) -> MeasuredBy:
    return "ruler" if any(token.text in language.lists["measured_words"] for token in tokens) else "eye"


def _past(tokens: Sequence[Token], at: int, words: Sequence[str]) -> int:
    while at < len(tokens) and tokens[at].text in words:
        at += 1
    return at


def _value(text: str) -> float:
    top, slash, bottom = text.partition("/")
    if slash:
        return float(top) / float(bottom) if float(bottom) else 0.0
    return float(top)
