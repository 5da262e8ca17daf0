"""How people say things in one language: intents, scope, measures, parts."""

from __future__ import annotations

from collections.abc import Mapping

from chatkey.knowledge.model import Elevation, Language, Phrases, Thing
from chatkey.knowledge.yaml_nodes import Entry, Problems, nearest
from chatkey.terms import INTENTS

SCOPE_LISTS = (
    "deny",
    "deny_after",
    "not_denying",
    "not_said",
    "sure",
    "clause_breaks",
    "denial_goes_on",
    "contrast",
    "either",
    "correction",
    "fillers",
    "ignore",
    "expand_unless_choice",
    "yes",
    "no",
    "choice_marks",
    "all_of_them",
    "none_of_them",
    "vague_numbers",
    "width_words",
    "height_words",
    "measured_words",
    "geography",
    "describing_ends",
    "not_plural",
    "loose_numbers",
    "and_words",
    "articles",
    "small_words",
    "before_a_thing",
    "plain_cues",
    "little_words",
    "polite",
    "hedging_ends",
    "place_leads",
    "place_starts",
    "place_quarters",
    "codes_that_are_words",
    "codes_rarely_meant",
    "alone_ambiguous",
    "prepositions",
    "copulas",
    "clause_joins",
    "articles_and_owners",
    "says_nothing",
    "concord",
    "behind_a_unit",
    "bounds_behind",
    "unspoken_unit",
    "counting_words",
    "choice_leads",
    "forward_doubts",
    "having",
    "place_nouns",
    "asks",
    "doubtful_units",
    "decimal_marks",
    "vowels",
    "said_instead",
)
MEASURE_KEYS = ("units", "not_units_before", "fractions", "bounds", "cues", "not_after_like", "things", "elevation")
SCOPE_NUMBERS = ("hedge", "ordinals", "letters", "numbers")
SCOPE_TEXTS = ("expand", "emoji", "contrast_openers", "plural_endings", "before_consonants", "short_states")
SCOPE_SETS = ("sets", "alike", "foreign", "health_signs", "tally")


def read_language(
    code: str,
    parts: Mapping[str, Entry],
    intents: Mapping[str, Entry],
    scope: Mapping[str, Entry],
    measures: Mapping[str, Entry],
    everyday: str,
    problems: Problems,
) -> Language:
    known = SCOPE_LISTS + SCOPE_NUMBERS + SCOPE_TEXTS + SCOPE_SETS
    for name, entry in scope.items():
        if name not in known:
            problems.add(entry.error(f"{name!r} is not known here", nearest(name, known)))
    for name, entry in measures.items():
        if name not in MEASURE_KEYS:
            problems.add(entry.error(f"{name!r} is not known here", nearest(name, MEASURE_KEYS)))
    return Language(
        code=code,
        parts={part: problems.attempt((), entry.texts) for part, entry in parts.items()},
        intents=tuple(_intents(intents, problems)),
        lists={name: _texts(scope.get(name), problems) for name in SCOPE_LISTS},
        numbers={name: _numbers(scope.get(name), problems) for name in SCOPE_NUMBERS},
        texts={name: _words(scope.get(name), problems) for name in SCOPE_TEXTS},
        sets=_lists(scope.get("sets"), problems),
        alike=_lists(scope.get("alike"), problems),
        health_signs=_lists(scope.get("health_signs"), problems),
        tally=_lists(scope.get("tally"), problems),
        foreign={other: frozenset(words) for other, words in _lists(scope.get("foreign"), problems).items()},
        units=_numbers(measures.get("units"), problems),
        not_units_before=_texts(measures.get("not_units_before"), problems),
        fractions=_numbers(measures.get("fractions"), problems),
        bounds=_lists(measures.get("bounds"), problems),
        cues=_lists(measures.get("cues"), problems),
        not_after_like=_texts(measures.get("not_after_like"), problems),
        things=tuple(_things(measures.get("things"), problems)),
        elevation=problems.attempt(None, _elevation, measures["elevation"]) if "elevation" in measures else None,
        everyday=f"\n{everyday}\n",
    )


def _intents(entries: Mapping[str, Entry], problems: Problems) -> list[Phrases]:
    found = []
    for intent, entry in entries.items():
        if intent not in INTENTS:
            problems.add(entry.error(f"{intent!r} is no intent", f"use one of {', '.join(INTENTS)}"))
            continue
        subjects = problems.attempt({}, entry.pairs)
        if {"whole", "anywhere"} & set(subjects):
            rest = {name: node for name, node in subjects.items() if name not in ("whole", "anywhere")}
            found.append(problems.attempt(Phrases(intent, "", (), ()), _phrases, intent, "", subjects))
        else:
            rest = subjects
        for subject, node in rest.items():
            pairs = problems.attempt({}, node.pairs, ("whole", "anywhere"))
            found.append(problems.attempt(Phrases(intent, subject, (), ()), _phrases, intent, subject, pairs))
    return found


def _phrases(intent: str, subject: str, pairs: Mapping[str, Entry]) -> Phrases:
    whole = pairs["whole"].texts() if "whole" in pairs else ()
    anywhere = pairs["anywhere"].texts() if "anywhere" in pairs else ()
    return Phrases(intent, subject, whole, anywhere)


def _numbers(entry: Entry | None, problems: Problems) -> dict[str, float]:
    if entry is None:
        return {}
    return {key: problems.attempt(0.0, node.number) for key, node in problems.attempt({}, entry.pairs).items()}


def _words(entry: Entry | None, problems: Problems) -> dict[str, str]:
    """Words to words; an empty one is allowed (an emoji that says nothing)."""
    if entry is None:
        return {}
    return {key: problems.attempt("", _word, node) for key, node in problems.attempt({}, entry.pairs).items()}


def _word(entry: Entry) -> str:
    return str(entry.node.value).strip() if entry.is_text else entry.text()


def _texts(entry: Entry | None, problems: Problems) -> tuple[str, ...]:
    return () if entry is None else problems.attempt((), entry.texts)


def _lists(entry: Entry | None, problems: Problems) -> dict[str, tuple[str, ...]]:
    if entry is None:
        return {}
    return {key: problems.attempt((), node.texts) for key, node in problems.attempt({}, entry.pairs).items()}


def _things(entry: Entry | None, problems: Problems) -> list[Thing]:
    if entry is None:
        return []
    found = (problems.attempt(None, _thing, id, node) for id, node in problems.attempt({}, entry.pairs).items())
    return [thing for thing in found if thing is not None]


def _elevation(entry: Entry) -> Elevation:
    keys = ("character", "high", "low", "from_metres", "least_metres")
    pairs = entry.pairs(keys, required=keys)
    character, high, low = (pairs[name].text() for name in keys[:3])
    return Elevation(character, high, low, pairs["from_metres"].number(low=1), pairs["least_metres"].number(low=1))


def _thing(id: str, entry: Entry) -> Thing:
    pairs = entry.pairs(
        ("words", "low", "high", "basis", "dimension", "source"), required=("words", "low", "high", "basis")
    )
    low, high = pairs["low"].number(low=0.1), pairs["high"].number(low=0.1)
    if low > high:
        raise entry.error(f"{low:g} stands before {high:g}", "put the lower number first")
    return Thing(id, pairs["words"].texts(), low, high)
