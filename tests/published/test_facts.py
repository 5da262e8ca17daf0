"""Single facts of published floras and handbooks against the knowledge, each with its source (tests/published/facts/).

A state that the page gives must hold half of the weight of our cell (together with the others it gives); one that it
says happens too (`also`) must have some. Of a length each number the page gives lies within 30 % (or 3 mm) of ours, or
inside our range: where sources differ our range is the wider.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from chatkey.knowledge import Knowledge
from chatkey.knowledge.model import Cell

FOLDER = Path(__file__).parent / "facts"
NEAR, NEAR_MM = 0.3, 3.0
USUAL = 0.5


def rows() -> list[Any]:
    found = []
    for path in sorted(FOLDER.glob("*.yaml")):
        for taxon, facts in yaml.safe_load(path.read_text(encoding="utf-8")).items():
            found += [pytest.param(taxon, fact, id=f"{taxon}-{fact['character']}-{n}") for n, fact in enumerate(facts)]
    return found


@pytest.mark.parametrize(("taxon", "fact"), rows())
def test_a_published_fact_stands_in_the_knowledge(knowledge: Knowledge, taxon: str, fact: dict[str, Any]) -> None:
    assert fact["source"].strip()
    cell = knowledge.taxa[taxon].cells[fact["character"]]
    if "range_mm" in fact:
        assert_range(cell, fact["range_mm"])
        return
    share = sum(cell.weights.get(state, 0.0) for state in fact["states"])
    assert share > 0 if fact.get("also") else share >= USUAL


def assert_range(cell: Cell, published: list[float | None]) -> None:
    assert cell.range is not None
    for ours, theirs in zip(cell.range, published, strict=True):
        if theirs is not None:
            near = abs(ours - theirs) <= max(NEAR_MM, NEAR * theirs)
            assert near or cell.range[0] <= theirs <= cell.range[3], (cell.range, published)


def test_four_hundred_single_facts_are_compared_and_their_agreement_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    other = yaml.safe_load((FOLDER.parent / "fna.yaml").read_text(encoding="utf-8"))
    flora = sum(key not in ("source", "differs") for facts in other.values() for key in facts)
    total = len(rows()) + flora
    with capsys.disabled():
        print(f"\n{total} single facts compared with published sources ({len(rows())} by row, {flora} by flora)")
    assert total >= 400
