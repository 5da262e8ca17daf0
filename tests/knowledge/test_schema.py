"""The JSON Schemas fit the shipped files, and mark what the loader refuses."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from chatkey.data import shipped
from chatkey.knowledge import Knowledge
from chatkey.knowledge.schema import FILES, schema

PATTERNS = {"taxa": "taxa/*.yaml", "characters": "characters/*.yaml", "names": "words/en/names.yaml"}


def data(pattern: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for path in shipped("knowledge").glob(pattern):
        if path.stem not in ("groups",):
            found.update(yaml.safe_load(path.read_text(encoding="utf-8")))
    return found


@pytest.mark.parametrize("file", FILES)
def test_a_schema_is_a_schema(knowledge: Knowledge, file: str) -> None:
    Draft202012Validator.check_schema(schema(knowledge, file))


@pytest.mark.parametrize(("file", "pattern"), PATTERNS.items())
def test_the_shipped_files_fit_their_schema(knowledge: Knowledge, file: str, pattern: str) -> None:
    errors = [error.message for error in Draft202012Validator(schema(knowledge, file)).iter_errors(data(pattern))]
    assert errors == []


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"rank": "kind"}, "kind"),
        ({"parent": "nowhere"}, "nowhere"),
        ({"colour": "green"}, "colour"),
        ({"blocks": [{"sources": ["from memory"], "scores": {"leaf_tip": {"sharpish": "always"}}}]}, "sharpish"),
        ({"blocks": [{"sources": ["from memory"], "scores": {"needle_length": [1, 2, 3]}}]}, "[1, 2, 3]"),
    ],
)
def test_a_schema_marks_what_the_loader_refuses(knowledge: Knowledge, change: dict[str, Any], word: str) -> None:
    taxon = data("taxa/hemlocks.yaml")["tsuga_canadensis"]
    errors = Draft202012Validator(schema(knowledge, "taxa")).iter_errors({"tsuga_canadensis": {**taxon, **change}})
    assert any(word in error.message for error in errors)
