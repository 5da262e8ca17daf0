"""JSON Schema (draft 2020-12) of the files a forester edits, made from the model: an editor completes from it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from chatkey.knowledge.characters import KINDS
from chatkey.knowledge.model import HONEST_MARKS, ORIGINS, PLANTED, WILD, Knowledge
from chatkey.knowledge.taxa import RANKS

DRAFT = "https://json-schema.org/draft/2020-12/schema"
FILES = ("taxa", "characters", "names", "words")


def schema(knowledge: Knowledge, file: str) -> dict[str, Any]:
    """The schema of one kind of file: taxa, characters, names (words/en/names.yaml) or words (of characters)."""
    entry = {
        "taxa": _taxon,
        "characters": _character,
        "names": lambda _: _names(),
        "words": _words,
    }[file](knowledge)
    return {
        "$schema": DRAFT,
        "title": f"chatkey: {file}",
        "type": "object",
        "propertyNames": {"pattern": "^[a-z][a-z0-9_]*$"},
        "additionalProperties": entry,
    }


def _taxon(knowledge: Knowledge) -> dict[str, Any]:
    sources = _list(_one_of([*HONEST_MARKS, *knowledge.sources]))
    places = _list(_one_of(knowledge.regions))
    known = _one_of(("complete", "partial", "unknown"))
    met = {"planted": _one_of(PLANTED), "wild": _one_of(WILD), "sources": sources}
    ranges = {
        "origin": _one_of(ORIGINS),
        "native": places,
        "introduced": places,
        "unsettled": places,
        "native_range": _record({"US": known, "CA": known}),
        "sources": sources,
    }
    block = {"sources": sources, "scores": _record({id: _cell(knowledge, id) for id in knowledge.characters})}
    return _record(
        {
            "name": _text(),
            "authority": _text(),
            "rank": _one_of(RANKS),
            "parent": _one_of(taxon for taxon, one in knowledge.taxa.items() if not one.is_leaf),
            "synonyms": _list(_text()),
            "conifer": {"type": ["boolean", "string"]},
            "blocks": _list(_record(block, block)),
            "range": _record(ranges, ("origin", "sources")),
            "met": _record(met, ("planted", "wild")),
        },
        ("name", "rank"),
    )


def _cell(knowledge: Knowledge, id: str) -> dict[str, Any]:
    character = knowledge.characters[id]
    if character.kind == "length":
        four = {"type": "array", "items": {"type": "number"}, "minItems": 4, "maxItems": 4}
        return {"anyOf": [four, {"const": "n/a"}], "description": "mm: lowest, usual low, usual high, highest"}
    word = _one_of(knowledge.numbers["frequencies"])
    states = {**_record(dict.fromkeys(character.states, word)), "minProperties": 1}
    return {"anyOf": [states, {"const": "n/a"}], "description": character.words.ask}


def _character(knowledge: Knowledge) -> dict[str, Any]:
    condition = {
        "type": "object",
        "propertyNames": _one_of(knowledge.characters),
        "additionalProperties": _list(_text()),
    }
    share = {"type": "number", "minimum": 0, "maximum": 0.9}
    slips = {"type": "object", "additionalProperties": {"type": "object", "additionalProperties": share}}
    two = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
    months = {"type": "array", "items": {"type": "integer", "minimum": 1, "maximum": 12}}
    year = {"type": "array", "items": {"type": "number", "minimum": 0, "maximum": 0.99}, "minItems": 12, "maxItems": 12}
    return _record(
        {
            "kind": _one_of(KINDS),
            "part": _one_of(knowledge.language.parts),
            "family": _text(),
            "effort": {"type": "integer", "minimum": 1, "maximum": 5},
            "error": {"type": "number", "minimum": 0.001, "maximum": 0.6},
            "states": _list(_text()),
            "offer": {**_list(_text()), "maxItems": 4},
            "classes": {"type": "object", "additionalProperties": two},
            "confusion": slips,
            "only_if": condition,
            "lacking": _text(),
            "doubtful_if": condition,
            "months": months,
            "by_month": {"type": "object", "additionalProperties": year},
            "derive": _one_of(("met", "context")),
            "denied": {"const": "weak"},
            "wild_only": {"type": "boolean"},
            "sources": _list(_one_of([*HONEST_MARKS, *knowledge.sources])),
        },
        ("kind", "part", "family", "effort", "sources"),
    )


def _names() -> dict[str, Any]:
    lists = dict.fromkeys(("also", "french", "spanish", "misleading"), _list(_text()))
    return _record({"common": _text(), "article": _one_of(("a", "an")), "plural": _text(), **lists}, ("common",))


def _words(knowledge: Knowledge) -> dict[str, Any]:
    lists = dict.fromkeys(("words", "with_part", "when_asked"), _list(_text()))
    ends = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
    state = _record({"label": _text(), "echo": _text(), "said": ends, **lists}, ("label", "echo"))
    states = {"type": "object", "additionalProperties": state}
    texts = dict.fromkeys(("ask", "again", "how", "name", "echo", "yes"), _text())
    return _record({**texts, "states": states, "classes": states}, ("ask", "again", "how", "name"))


def _record(properties: dict[str, Any], required: Iterable[str] = ()) -> dict[str, Any]:
    found: dict[str, Any] = {"type": "object", "properties": properties, "additionalProperties": False}
    return {**found, "required": list(required)} if required else found


def _list(items: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items}


def _one_of(values: Iterable[str]) -> dict[str, Any]:
    return {"enum": list(values)}


def _text() -> dict[str, Any]:
    return {"type": "string", "minLength": 1}
