"""The card of a group of stewards: read once, used in every answer."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from chatkey.knowledge.model import LISTING_KINDS, Card, Knowledge, Rule
from chatkey.knowledge.yaml_nodes import Entry, Problems, read_file

LINES = (
    "poison_line",
    "emergency",
    "dig_line",
    "quarantine_office",
    "water_office",
    "burn_office",
    "extension_office",
    "district",
    "sale_dates",
)
CONDITIONS = ("plants", "places", "counties", "listed")


def read_card(path: Path, knowledge: Knowledge) -> Card:
    """The card in a file. Raises KnowledgeError at the first fault, with file:line and the mend."""
    problems = Problems()
    top = read_file(path, path.parent)
    pairs = top.pairs(("name", "lines", "counties", "hand_over"), required=("name",))
    lines = pairs["lines"].pairs(LINES) if "lines" in pairs else {}
    counties = pairs["counties"].pairs() if "counties" in pairs else {}
    rules = pairs["hand_over"].items() if "hand_over" in pairs else []
    card = Card(
        name=pairs["name"].text(),
        lines={key: problems.attempt("", node.text) for key, node in lines.items()},
        counties={
            name: problems.attempt(frozenset(), _native, node, knowledge.taxa) for name, node in counties.items()
        },
        rules=tuple(rule for item in rules if (rule := problems.attempt(None, _rule, item, knowledge)) is not None),
    )
    if problems.errors:
        raise problems.errors[0]
    return card


def _native(entry: Entry, taxa: Collection[str]) -> frozenset[str]:
    pairs = entry.pairs(("native",), required=("native",))
    return frozenset(item.one_of(taxa) for item in pairs["native"].items())


def _rule(entry: Entry, knowledge: Knowledge) -> Rule:
    """One rule for what the group wants to see. It must say something of the plant or the place."""
    pairs = entry.pairs(("name", *CONDITIONS), required=("name",))
    if not any(key in pairs for key in CONDITIONS):
        keys = ", ".join(CONDITIONS)
        raise entry.error("the rule holds for every tree", f"say which ones it is for, with one of: {keys}")
    plants = _given(pairs, "plants", (*knowledge.taxa, *knowledge.groups))
    return Rule(
        name=pairs["name"].text(),
        plants=frozenset(leaf for id in plants for leaf in _leaves(knowledge, id)),
        places=frozenset(_given(pairs, "places", knowledge.regions)),
        counties=frozenset(_counties(pairs["counties"]) if "counties" in pairs else ()),
        listed=frozenset(_given(pairs, "listed", LISTING_KINDS)),
    )


def _given(pairs: dict[str, Entry], key: str, known: Collection[str]) -> tuple[str, ...]:
    """The ids of one part of a rule; a part that is there names at least one."""
    if key not in pairs:
        return ()
    items = pairs[key].items()
    if not items:
        raise pairs[key].error(f"{key!r} names none", "name one, or take the line out")
    return tuple(item.one_of(known) for item in items)


def _counties(entry: Entry) -> tuple[str, ...]:
    """Counties go by their names; there is no list of them here to hold them against."""
    names = entry.texts()
    if not names:
        raise entry.error("'counties' names none", "name one, or take the line out")
    return names


def _leaves(knowledge: Knowledge, id: str) -> tuple[str, ...]:
    if id in knowledge.groups:
        return knowledge.groups[id].members
    return tuple(leaf for leaf in knowledge.leaves if id in knowledge.lineage(leaf))
