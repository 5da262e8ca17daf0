"""Facts in the finder's own kind of words: claims, lengths, odds, lists, names."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from chatkey.dialog.script import Script
from chatkey.identify.doubt import Separator
from chatkey.knowledge.model import Knowledge
from chatkey.terms import MM_PER_INCH, Claim, Place, Quantity

FRACTIONS = ((0, ""), (0.25, "1/4"), (0.5, "1/2"), (0.75, "3/4"), (1, ""))
A_GUESS = 0.3  # from this hedge on a fact is said back with "maybe"


def claim_words(knowledge: Knowledge, script: Script, claim: Claim, place: Place | None) -> str:
    """One claim as it is said back: "soft", "needles about 3 in", "not sharp", "maybe two pale lines under"."""
    character = knowledge.characters[claim.character]
    if claim.quantity is not None:
        length = length_words(script, claim.quantity, metric=_in_metric(knowledge, claim.text, place))
        text = character.words.echo.replace("{length}", length)
    else:
        echoes = [character.words.states[state].echo for state in claim.states]
        text = joined(script, "or_more", echoes)
        others = [state for state in character.states if state not in claim.states]
        if claim.negated and len(others) == 1:
            text = character.words.states[others[0]].echo
        elif claim.negated:
            text = script.say("not_of", echo=text)
    if claim.hedge >= A_GUESS:
        text = script.say("maybe_of", echo=text)
    return text


def facts_words(knowledge: Knowledge, script: Script, claims: Sequence[Claim], place: Place | None) -> str:
    """Claims as one list: "soft, flat, two pale lines under"."""
    return ", ".join(facts_list(knowledge, script, claims, place))


def facts_list(knowledge: Knowledge, script: Script, claims: Sequence[Claim], place: Place | None) -> tuple[str, ...]:
    """The words of claims, each once. What another says already is left out: a denial of what cannot be, "needles"
    beside "soft needles"."""
    positive = {claim.character for claim in claims if not claim.negated}
    claims = [claim for claim in claims if not claim.negated or claim.character not in positive]
    said = list(dict.fromkeys(claim_words(knowledge, script, claim, place) for claim in claims))
    return tuple(words for words in said if not any(other.endswith(f" {words}") for other in said))


def length_words(script: Script, quantity: Quantity, *, metric: bool) -> str:
    """ "3 in", "1/2 to 3/4 in", "20 mm", "3 to 4 cm"."""
    low, high = quantity.low, quantity.high
    if metric:
        unit, size = ("mm", 1.0) if high < 30 else ("cm", 10.0)
        first, second = (f"{round(value / size, 0 if unit == 'mm' else 1):g}" for value in (low, high))
    else:
        unit = "in"
        first, second = inches(low), inches(high)
    unit = script.word("units", unit)
    return f"{first} {unit}" if first == second else f"{script.say('range', low=first, high=second)} {unit}"


def inches(mm: float) -> str:
    """Inches to the nearest quarter (eighth below half an inch): "3/4", "2 1/2", "12"."""
    value = mm / MM_PER_INCH
    if value < 0.19:
        return "1/8"
    whole = int(value)
    if value >= 10:
        return f"{value:.0f}"
    part = min(FRACTIONS, key=lambda fraction: abs(value - whole - fraction[0]))[1]
    whole += 1 if value - whole > 0.875 else 0
    return " ".join(piece for piece in (str(whole) if whole else "", part) if piece) or "1/4"


def odds_words(script: Script, probability: float) -> str:
    """The nearest of the odds people say: "9 in 10"."""
    table = script.tables["odds"]
    nearest = min(table, key=lambda value: abs(_logit(float(value)) - _logit(probability)))
    return table[nearest]


def percent(probability: float) -> str:
    """A percentage that claims no more than the engine does: never 0 or 100."""
    value = 100 * probability
    if value < 1:
        return "<1"
    return ">99" if value > 99 else f"{value:.0f}"


def joined(script: Script, line: str, texts: Sequence[str]) -> str:
    """ "a, b or c"."""
    texts = list(dict.fromkeys(texts))
    if len(texts) < 2:
        return texts[0] if texts else ""
    return script.say(line, list=", ".join(texts[:-1]), last=texts[-1])


def name_words(knowledge: Knowledge, id: str, *, article: bool = False) -> str:
    """The common name; of a genus or group with its article where wanted: "a true fir"."""
    names = (
        knowledge.taxa[id].names
        if id in knowledge.taxa
        else knowledge.groups[id].names
        if id in knowledge.groups
        else None
    )
    if names is None:
        return id.replace("_", " ")
    return f"{names.article} {names.common}" if article and names.article else names.common


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def separator_words(
    knowledge: Knowledge, script: Script, separator: Separator, place: Place | None
) -> tuple[str, str, str]:
    """The character's name and what each of two plants shows in it."""
    character = knowledge.characters[separator.character]

    def shown(value: str | tuple[float, float]) -> str:
        if isinstance(value, tuple):
            length = length_words(script, Quantity(*value), metric=is_metric(knowledge, place))
            return character.words.echo.replace("{length}", length)
        return character.words.states[value].echo

    return character.words.name, shown(separator.first), shown(separator.second)


def is_metric(knowledge: Knowledge, place: Place | None) -> bool:
    return place is not None and place.code in knowledge.regions and knowledge.regions[place.code].country == "CA"


def _in_metric(knowledge: Knowledge, text: str, place: Place | None) -> bool:
    """In the units the finder used; else in those of the place."""
    units = knowledge.language.units
    used = {units[word] for word in re.findall(r"[a-z]+|\"", text.lower()) if word in units}
    if used:
        return MM_PER_INCH not in used
    return is_metric(knowledge, place)


def place_words(knowledge: Knowledge, place: Place) -> str:
    return knowledge.regions[place.code].said


def _logit(probability: float) -> float:
    p = min(max(probability, 1e-6), 1 - 1e-6)
    return math.log(p / (1 - p))
