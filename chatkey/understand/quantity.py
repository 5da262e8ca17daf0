"""Lengths as people write them: "about 2 1/2 in", "3-4 cm", "half an inch", "long as my finger"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from chatkey.knowledge.model import Language
from chatkey.terms import MeasuredBy, Quantity
from chatkey.understand.match import Span
from chatkey.understand.normalise import Token

LONGEST_MM = 700.0  # longer than any needle or cone: a tree's height, not a length of ours


def length_spans(tokens: Sequence[Token], language: Language) -> list[Span]:
    """Every length in the message, in mm."""
    spans = []
    at = 0
    while at < len(tokens):
        span = _measured(tokens, at, language) or _thing(tokens, at, language)
        if span is None:
            at += 1
            continue
        spans.append(_bounded(tokens, span, language))
        at = span.last + 1
    kept = [span for span in spans if span.quantity and span.quantity.low <= LONGEST_MM]
    return [span for span in kept if not _is_width(tokens, span, language)]


def _measured(tokens: Sequence[Token], at: int, language: Language) -> Span | None:
    """A number, or two with a dash or "to" between, and a unit."""
    first = _number(tokens, at, language)
    if first is None:
        return None
    value, after = first
    low = high = value
    if after < len(tokens) and tokens[after].text in language.bounds.get("between", ()):
        second = _number(tokens, after + 1, language)
        if second is not None:
            low, high = min(value, second[0]), max(value, second[0])
            after = second[1]
    unit = _unit(tokens, after, language)
    if unit is None:
        return None
    size, last = unit[0], unit[1]
    extra = _and_a_half(tokens, last + 1, language)
    if extra is not None:
        low, high, last = low + extra[0], high + extra[0], extra[1]
    if low <= 0:
        return None
    return Span(
        at, last, ("#",) * (last - at + 1), "length", quantity=Quantity(low * size, high * size, _how(tokens, language))
    )


def _number(tokens: Sequence[Token], at: int, language: Language) -> tuple[float, int] | None:
    """The number that begins here and the index behind it: "2", "2 1/2", "half a", "a", "2 and a half", "couple of"."""
    if at >= len(tokens):
        return None
    token = tokens[at]
    if token.kind == "number":
        value, after = _value(token.text), at + 1
        if (
            after < len(tokens)
            and tokens[after].kind == "number"
            and "/" in tokens[after].text
            and "/" not in token.text
        ):
            return value + _value(tokens[after].text), after + 1
        if (
            after + 1 < len(tokens)
            and tokens[after].text == "-"
            and "/" in tokens[after + 1].text
            and "/" not in token.text
        ):
            return value + _value(tokens[after + 1].text), after + 2
        extra = _and_a_half(tokens, after, language)
        if extra is not None and "/" not in token.text:
            return value + extra[0], extra[1] + 1
        if after < len(tokens) and tokens[after].text in language.fractions and "/" not in token.text:
            return value * language.fractions[tokens[after].text], _past(
                tokens, after + 1, language.lists["small_words"]
            )
        return value, after
    if token.text in language.fractions and token.kind == "word":
        return language.fractions[token.text], _past(tokens, at + 1, language.lists["small_words"])
    if token.text in language.lists["articles"] and at + 1 < len(tokens):
        following = tokens[at + 1].text
        if following in language.fractions or following in language.numbers["numbers"]:
            return _number(tokens, at + 1, language)
        return (1.0, at + 1) if following in language.units and len(following) > 1 else None
    if token.text in language.numbers["numbers"] and token.text in language.lists["loose_numbers"]:
        return language.numbers["numbers"][token.text], _past(tokens, at + 1, language.lists["small_words"])
    return None


def _unit(tokens: Sequence[Token], at: int, language: Language) -> tuple[float, int] | None:
    """Size of the unit in mm and its index."""
    if at < len(tokens) and tokens[at].text == "-":
        at += 1
    if at >= len(tokens) or tokens[at].text not in language.units:
        return None
    following = tokens[at + 1].text if at + 1 < len(tokens) else ""
    if len(tokens[at].text) == 2 and (
        following in language.not_units_before or _is_bare_number(tokens, at + 1, language)
    ):
        return None  # "5 in most", "20 in one"
    return language.units[tokens[at].text], at


def _is_bare_number(tokens: Sequence[Token], at: int, language: Language) -> bool:
    """A number with no unit behind it."""
    if at >= len(tokens) or tokens[at].kind != "number":
        return False
    return at + 1 >= len(tokens) or tokens[at + 1].text not in language.units


def _and_a_half(tokens: Sequence[Token], at: int, language: Language) -> tuple[float, int] | None:
    """ "and a half", "and 1/2": the fraction and the index of its last token."""
    if at >= len(tokens) or tokens[at].text not in language.lists["and_words"]:
        return None
    following = _past(tokens, at + 1, (*language.lists["articles"], "1"))
    if following < len(tokens) and tokens[following].text in language.fractions:
        return language.fractions[tokens[following].text], following
    if at + 1 < len(tokens) and tokens[at + 1].kind == "number" and "/" in tokens[at + 1].text:
        return _value(tokens[at + 1].text), at + 1
    return None


def _thing(tokens: Sequence[Token], at: int, language: Language) -> Span | None:
    """A body or pocket measure after a cue of size: "long as my finger", "size of a quarter"."""
    for cues in language.cues.values():
        for cue in cues:
            words = cue.split()
            if [token.text for token in tokens[at : at + len(words)]] != words:
                continue
            after = _past(tokens, at + len(words), language.lists["before_a_thing"])
            found = _named_thing(tokens, after, language, plain_like=cue in language.lists["plain_cues"])
            if found is not None:
                low, high, last = found
                quantity = Quantity(low, high, "thumb")
                loose = cue in language.lists["plain_cues"]
                return Span(at, last, ("#",) * (last - at + 1), "length", quantity=quantity, loose=loose)
    return None


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
    inside = " ".join(token.text for token in tokens[span.first : span.last + 1])
    before = " ".join(token.text for token in tokens[max(0, span.first - 3) : span.first])
    behind = " ".join(token.text for token in tokens[span.last + 1 : span.last + 3])
    for kind in ("at_most", "at_least"):
        for phrase in language.bounds.get(kind, ()):
            front = before.endswith(phrase) or inside.startswith(phrase + " ")
            back = phrase.startswith("or ") and behind.startswith(phrase)
            if front or back:
                low, high = quantity.low, quantity.high
                low, high = (low / 3, high) if kind == "at_most" else (low, high * 3)
                return replace(span, quantity=Quantity(low, high, quantity.measured_by))
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
