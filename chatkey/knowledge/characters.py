"""Characters and their words, from characters/ and words/LANGUAGE/."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import cast

from chatkey.knowledge.model import Character, CharacterWords, Kind, StateWords
from chatkey.knowledge.yaml_nodes import Entry, Problems, nearest

KEYS = (
    "kind",
    "part",
    "family",
    "effort",
    "error",
    "states",
    "offer",
    "classes",
    "confusion",
    "only_if",
    "lacking",
    "derive",
    "denied",
    "wild_only",
    "months",
    "by_month",
    "doubtful_if",
    "sources",
)
MONTHS = 12
KINDS = ("choice", "count", "length")


def read_characters(facts: Mapping[str, Entry], words: Mapping[str, Entry], problems: Problems) -> dict[str, Character]:
    """Characters by id, in the files' order. A character without words, or words without one, is an error."""
    found: dict[str, Character] = {}
    for id, entry in facts.items():
        if id not in words:
            problems.add(entry.error(f"{id!r} has no words", "add its question in words/en/"))
            continue
        character = problems.attempt(None, _character, id, entry, words[id], problems)
        if character is not None:
            found[id] = character
    for id, entry in words.items():
        if id not in facts:
            problems.add(entry.error(f"{id!r} is no character", nearest(id, facts)))
    for id, character in found.items():
        problems.attempt(None, _check_condition, facts[id], character, found)
    _refuse_rings(found, facts, problems)
    return found


def _refuse_rings(found: dict[str, Character], facts: Mapping[str, Entry], problems: Problems) -> None:
    """A character that depends on itself could never be asked: an error; it is left without its condition."""
    for id in list(found):
        seen, waiting = set[str](), list(found[id].only_if)
        while waiting:
            parent = waiting.pop()
            if parent == id:
                problems.add(facts[id].error(f"{id!r} depends on itself", "take one `only_if` of the ring out"))
                found[id] = replace(found[id], only_if={})
                break
            if parent in found and parent not in seen:
                seen.add(parent)
                waiting += found[parent].only_if


def _character(id: str, entry: Entry, words: Entry, problems: Problems) -> Character:
    pairs = entry.pairs(KEYS, required=("kind", "part", "family", "effort", "sources"))
    kind = cast(Kind, pairs["kind"].one_of(KINDS))
    states: tuple[str, ...] = ()
    classes: dict[str, tuple[float, float]] = {}
    error = 0.0
    if kind == "length":
        for name, node in entry.pairs(KEYS, required=("classes",))["classes"].pairs().items():
            low, high = node.numbers(2)
            if not 0 < low < high:
                raise node.error(f"{low:g} to {high:g} is no rising interval", "write [lower, higher] in mm")
            classes[name] = (low, high)
    else:
        entry.pairs(KEYS, required=("states", "error"))
        states = pairs["states"].texts()
        error = pairs["error"].number(low=0.001, high=0.6)
        if len(states) < 2 or len(set(states)) < len(states):
            raise pairs["states"].error("two different states at least are needed", "list them once each")
    offer = tuple(node.one_of(states) for node in pairs["offer"].items()) if "offer" in pairs else states
    if len(offer) > 4:
        raise entry.error(f"{id!r} offers {len(offer)} choices", "name at most four under `offer`")
    return Character(
        id=id,
        kind=kind,
        part=pairs["part"].text(),
        family=pairs["family"].text(),
        effort=pairs["effort"].whole(low=1, high=5),
        error=error,
        states=states,
        offer=offer,
        classes=classes,
        confusion=_confusion(pairs["confusion"], states) if "confusion" in pairs else {},
        only_if=_conditions(pairs.get("only_if")),
        lacking=pairs["lacking"].one_of(("any", *states)) if "lacking" in pairs else "",
        denied_is_weak="denied" in pairs and pairs["denied"].one_of(("weak",)) == "weak",
        derive=pairs["derive"].one_of(("met", "context")) if "derive" in pairs else "",
        wild_only="wild_only" in pairs and pairs["wild_only"].truth(),
        months=tuple(node.whole(low=1, high=12) for node in pairs["months"].items()) if "months" in pairs else (),
        by_month=_by_month(pairs["by_month"], states) if "by_month" in pairs else {},
        doubtful_if=_conditions(pairs.get("doubtful_if")),
        sources=pairs["sources"].texts(),
        words=_words(id, words, states or tuple(classes), kind == "length", problems),
    )


def _conditions(entry: Entry | None) -> dict[str, tuple[str, ...]]:
    """States of other characters, by character; whether those are known is checked when all are read."""
    return {name: node.texts() for name, node in entry.pairs().items()} if entry else {}


def _confusion(entry: Entry, states: tuple[str, ...]) -> dict[str, dict[str, float]]:
    found = {}
    for true, row in entry.pairs(states).items():
        heard = {name: node.number(low=0, high=0.9) for name, node in row.pairs(states).items()}
        if true in heard or sum(heard.values()) >= 1:
            raise row.error("the slips of a state must leave room for the state itself", "lower them")
        found[true] = heard
    return found


def _by_month(entry: Entry, states: tuple[str, ...]) -> dict[str, tuple[float, ...]]:
    found = {}
    for state, row in entry.pairs(states).items():
        row.numbers(MONTHS)
        found[state] = tuple(item.number(low=0, high=0.99) for item in row.items())
    return found


def _words(id: str, entry: Entry, states: tuple[str, ...], is_length: bool, problems: Problems) -> CharacterWords:
    key = "classes" if is_length else "states"
    required = ("ask", "again", "how", "name", key) + (("echo",) if is_length else ())
    pairs = entry.pairs((*required, "yes"), required=required)
    given = pairs[key].pairs(states, required=states)
    found = {state: problems.attempt(StateWords(state, state), _state_words, given[state]) for state in states}
    texts = {name: pairs[name].text() for name in ("ask", "again", "how", "name")}
    echo = pairs["echo"].text() if is_length else ""
    yes = pairs["yes"].one_of(states) if "yes" in pairs else ""
    return CharacterWords(**texts, echo=echo, yes=yes, states=found)


def _state_words(entry: Entry) -> StateWords:
    lists = ("words", "with_part", "when_asked")
    pairs = entry.pairs(("label", "echo", "said", *lists), required=("label", "echo"))
    said = [node.number(low=0.1) for node in pairs["said"].items()] if "said" in pairs else []
    if said and (len(said) != 2 or said[0] >= said[1]):
        raise pairs["said"].error("a said length has two ends, the lower first", "write [3, 25]")
    return StateWords(
        label=pairs["label"].text(),
        echo=pairs["echo"].text(),
        said=(said[0], said[1]) if said else None,
        **{name: pairs[name].texts() for name in lists if name in pairs},
    )


def _check_condition(entry: Entry, character: Character, all: Mapping[str, Character]) -> None:
    for key in ("only_if", "doubtful_if"):
        given = entry.pairs().get(key)
        for name, node in given.pairs(all).items() if given else ():
            for item in node.items():
                item.one_of(all[name].states)
