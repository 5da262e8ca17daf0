"""Where a finder stands: a code, "Town, ST", a name, a region word, a postal code, or coordinates.

Nothing is guessed: words that are also English ("in", "me", "or") count as codes only in capitals behind a town.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from chatkey.knowledge.model import Knowledge
from chatkey.terms import Place

COORDINATES = re.compile(
    r"(?<![\d.])(?P<lat>[+-]?\d{1,2}(?:\.\d+)?)\s*°?\s*(?P<ns>[NSns])?\s*[,;\s]\s*"
    r"(?P<lon>[+-]?\d{1,3}(?:\.\d+)?)\s*°?\s*(?P<ew>[EWew])?(?![\d.])"
)
ZIP = re.compile(r"(?<![\d-])(\d{5})(?:-\d{4})?(?![\d-])")
CANADIAN = re.compile(r"\b([A-Za-z]\d[A-Za-z])[ -]?(\d[A-Za-z]\d)\b")
TOWN_CODE = re.compile(
    r"\b(?P<town>[A-Z][\w.'-]*(?:[ -][A-Z][\w.'-]*){0,2})(?P<comma>,)?\s+(?P<code>[A-Z]{2})\b"
    r"|\b(?P<low>[a-z][\w.'-]+),\s*(?P<low_code>[A-Z]{2})\b"
)
CODE_APART = re.compile(r"(?<=\s)[A-Z]{2}(?=\W|$)")
TOWN_SHORT = re.compile(r"\b(?P<town>[A-Z][\w'-]*(?: [A-Z][\w'-]*)?),? (?P<short>[A-Z][a-z]{1,5})\b\.?")
ROUNDING = 2  # decimals of a coordinate that are kept: about 1 km


@dataclass(frozen=True, slots=True)
class FoundPlace:
    place: Place
    span: tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Patterns:
    """How a code of two letters stands in a sentence of one language."""

    alone: re.Pattern[str]  # the whole message
    low: re.Pattern[str]  # "near st ignace mi"
    led: re.Pattern[str]  # "northern MI"


@lru_cache(maxsize=16)
def _patterns(starts: tuple[str, ...], leads: tuple[str, ...], quarters: tuple[str, ...]) -> _Patterns:
    start, lead, quarter = ("|".join(map(re.escape, words)) for words in (starts, leads, quarters))
    return _Patterns(
        re.compile(rf"^\W*(?:(?:{start}) )?(?:(?:{lead}) )?(?P<code>[A-Za-z]{{2}})\W*$", re.IGNORECASE),
        re.compile(
            rf"(?:^|[.;!?] +|\b(?:{lead}) |, ?)((?:[a-z.'-]+ ){{1,3}})([a-z]{{2}})(?=\W*$|\s*[.,;!])", re.IGNORECASE
        ),
        re.compile(rf"(?:^|\b(?:{lead}|{quarter}) )([A-Z]{{2}})\b"),
    )


def find_place(text: str, knowledge: Knowledge, *, asked: bool = False) -> FoundPlace | None:
    """The place a message names, or None. With `asked` (the question is pending) a bare code in any case counts."""
    for read in (_coordinates, _canadian, _zip):
        found = read(text, knowledge, asked)
        if found is not None:
            return found
    coded = _code(text, knowledge, asked)
    named = _name(text, knowledge)
    return coded or named


def _coordinates(text: str, knowledge: Knowledge, asked: bool) -> FoundPlace | None:
    for match in COORDINATES.finditer(text):
        if not (match["ns"] or "." in match["lat"]) or not (match["ew"] or "." in match["lon"]):
            continue
        latitude, longitude = float(match["lat"]), float(match["lon"])
        latitude = -abs(latitude) if (match["ns"] or "").upper() == "S" else latitude
        longitude = -abs(longitude) if (match["ew"] or "").upper() == "W" else longitude
        if not (15 <= latitude <= 84 and -180 <= longitude <= -50):
            continue
        near = nearest_town(round(latitude, ROUNDING), round(longitude, ROUNDING))
        code = next((r.code for r in knowledge.regions.values() if r.name == near.get("state")), "")
        if code:
            place = Place(
                code,
                county=near.get("county", ""),
                town=near.get("city", ""),
                latitude=round(latitude, ROUNDING),
                longitude=round(longitude, ROUNDING),
            )
            return FoundPlace(place, match.span())
    return None


def _canadian(text: str, knowledge: Knowledge, asked: bool) -> FoundPlace | None:
    match = CANADIAN.search(text)
    if match is None:
        return None
    prefix = match[1].upper()
    code = knowledge.postal.get(prefix) or knowledge.postal.get(prefix[0])
    return FoundPlace(Place(code), match.span()) if code else None


def _zip(text: str, knowledge: Knowledge, asked: bool) -> FoundPlace | None:
    match = ZIP.search(text)
    if match is None:
        return None
    row = zip_row(match[1])
    if row is None or row["state"] not in knowledge.regions:
        return None
    return FoundPlace(Place(row["state"], county=row["county"], town=row["city"]), match.span())


def _code(text: str, knowledge: Knowledge, asked: bool) -> FoundPlace | None:
    lists = knowledge.language.lists
    words, rare, doubtful = lists["codes_that_are_words"], lists["codes_rarely_meant"], lists["alone_ambiguous"]
    patterns = _patterns(lists["place_starts"], lists["place_leads"], lists["place_quarters"])
    alone = patterns.alone.match(text)
    sure = alone is not None and alone["code"].isupper() and alone["code"] not in doubtful
    if alone and alone["code"].upper() in knowledge.regions and (asked or sure):
        return FoundPlace(Place(alone["code"].upper()), alone.span("code"))
    for match in TOWN_CODE.finditer(text):
        code = match["code"] or match["low_code"]
        shouted = text.isupper()  # then capitals mean nothing: "SHARP AS HECK"
        told = match["comma"] or match["low"] or (not shouted and code not in doubtful)
        if code in knowledge.regions and (told or (shouted and code not in (*words, *rare))):
            return FoundPlace(Place(code, town=match["town"] or match["low"].title()), match.span())
    for match in patterns.low.finditer(text):
        code = match[2].upper()
        if code in knowledge.regions and code not in words + rare:
            return FoundPlace(Place(code, town=_town(match[1], lists["place_leads"])), match.span())
    for match in patterns.led.finditer(text):
        if match[1] in knowledge.regions and (match.start(1) > 0 or match[1] not in doubtful):
            return FoundPlace(Place(match[1]), match.span(1))
    for match in CODE_APART.finditer("" if text.isupper() else text):
        if match.group() in knowledge.regions and match.group() not in words:
            return FoundPlace(Place(match.group()), match.span())
    for match in TOWN_SHORT.finditer(text):
        code = knowledge.language.texts["short_states"].get(match["short"].lower(), "")
        if code in knowledge.regions:
            return FoundPlace(Place(code, town=match["town"]), match.span())
    return None


def _town(words: str, leads: Sequence[str]) -> str:
    """The town in "near st ignace": what stands behind the word that leads to it."""
    names = words.split()
    while len(names) > 1 and names[0].lower() in leads:
        names = names[1:]
    return " ".join(names).title()


def _name(text: str, knowledge: Knowledge) -> FoundPlace | None:
    """A name or region word of a state or province; the longest wins, then the one that stands last (Town, State)."""
    plain = re.sub(r"[^\w\s]", " ", text.lower())  # one for one: spans stay right
    best: FoundPlace | None = None
    for match in name_pattern(_all_names(knowledge)).finditer(plain):
        code, is_region = _all_names(knowledge)[" ".join(match.group().split())]
        place = Place(code, landscape=match.group().title() if is_region else "")
        if best is None or match.end() - match.start() >= best.span[1] - best.span[0]:
            best = FoundPlace(place, match.span())
    return best


_NAMES: dict[tuple[str, str], Mapping[str, tuple[str, bool]]] = {}


def _all_names(knowledge: Knowledge) -> Mapping[str, tuple[str, bool]]:
    key = (knowledge.hash, knowledge.language.code)
    if key not in _NAMES:
        found: dict[str, tuple[str, bool]] = {}
        for region in knowledge.regions.values():
            found.update(dict.fromkeys(region.regions, (region.code, True)))
        for region in knowledge.regions.values():
            found.update(dict.fromkeys((region.name.lower(), *region.words), (region.code, False)))
        _NAMES[key] = found
    return _NAMES[key]


@lru_cache(maxsize=8)
def _pattern(names: tuple[str, ...]) -> re.Pattern[str]:
    longest_first = sorted(names, key=lambda name: -len(name))
    return re.compile(r"\b(?:" + "|".join(re.escape(name).replace(r"\ ", r"\s+") for name in longest_first) + r")\b")


def name_pattern(names: Mapping[str, tuple[str, bool]]) -> re.Pattern[str]:
    return _pattern(tuple(names))


def states_of_town(text: str, knowledge: Knowledge) -> tuple[str, ...]:
    """The states that have a town of this name (an answer to "where are you?"), alphabetically; () for none."""
    lists = knowledge.language.lists
    start, lead = ("|".join(map(re.escape, words)) for words in (lists["place_starts"], lists["place_leads"]))
    name = re.sub(rf"^(?:(?:{start}) )?(?:{lead})\s+", "", text.strip(" .,!?").lower())
    if not re.fullmatch(r"[a-z][a-z .'-]{2,30}", name):
        return ()
    return tuple(code for code in _town_states(name) if code in knowledge.regions)


@lru_cache(maxsize=4096)
def _town_states(name: str) -> tuple[str, ...]:
    import zipcodes  # as below

    rows = zipcodes.filter_by(city=name.title())
    return tuple(sorted({row["state"] for row in rows}))


@lru_cache(maxsize=4096)
def zip_row(code: str) -> dict[str, str] | None:
    """State, county and city of a US ZIP code, or None."""
    import zipcodes  # 0.24 s at the first look: only for those who give a ZIP code

    rows = zipcodes.matching(code) if zipcodes.is_real(code) else []
    if not rows:
        return None
    return {"state": rows[0]["state"], "county": rows[0]["county"].removesuffix(" County"), "city": rows[0]["city"]}


@lru_cache(maxsize=4096)
def nearest_town(latitude: float, longitude: float) -> dict[str, str]:
    """City, county and state of the nearest town in the package's list: near a border it may be the wrong side."""
    import reverse_geocode  # 0.9 s at the first look: only for those who give coordinates

    return dict(reverse_geocode.get((latitude, longitude)))
