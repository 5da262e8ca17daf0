"""The card of a group of stewards: read once, used in every answer."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from chatkey.knowledge.model import Card
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


def read_card(path: Path, taxa: Collection[str]) -> Card:
    """The card in a file. Raises KnowledgeError at the first fault, with file:line and the mend."""
    problems = Problems()
    top = read_file(path, path.parent)
    pairs = top.pairs(("name", "lines", "counties"), required=("name",))
    lines = pairs["lines"].pairs(LINES) if "lines" in pairs else {}
    counties = pairs["counties"].pairs() if "counties" in pairs else {}
    card = Card(
        name=pairs["name"].text(),
        lines={key: problems.attempt("", node.text) for key, node in lines.items()},
        counties={name: problems.attempt(frozenset(), _native, node, taxa) for name, node in counties.items()},
    )
    if problems.errors:
        raise problems.errors[0]
    return card


def _native(entry: Entry, taxa: Collection[str]) -> frozenset[str]:
    pairs = entry.pairs(("native",), required=("native",))
    return frozenset(item.one_of(taxa) for item in pairs["native"].items())
