"""Our shade classes against Silvics of North America and the pages named in silvics.yaml, one fact a test."""

from pathlib import Path
from typing import Any

import pytest
import yaml

from chatkey.knowledge import Knowledge, load_knowledge

SHADE: dict[str, Any] = yaml.safe_load(Path(__file__).with_name("silvics.yaml").read_text(encoding="utf-8"))
SPECIES: dict[str, dict[str, Any]] = SHADE["species"]
CLASSES = ("very_intolerant", "intolerant", "intermediate", "tolerant", "very_tolerant")
READ_FACTS = [
    (plant, page["class"], page["source"]) for plant, facts in SPECIES.items() for page in facts.get("read", ())
]
TOLERANCE_STEPS = 1  # published lists of the same five classes differ by a step


@pytest.fixture(scope="session")
def knowledge() -> Knowledge:
    return load_knowledge()


@pytest.mark.parametrize("plant", SPECIES)
def test_our_shade_class_is_the_handbooks_or_one_of_the_published_where_they_differ(knowledge, plant):
    facts = SPECIES[plant]
    allowed = {facts["class"]}
    if "differs" in facts:
        allowed |= {page["class"] for page in facts["read"]}
    assert knowledge.planting[plant].light in allowed


@pytest.mark.parametrize(("plant", "shade", "page"), READ_FACTS)
def test_our_shade_class_lies_within_one_step_of_each_page_read(knowledge, plant, shade, page):
    steps = CLASSES.index(knowledge.planting[plant].light) - CLASSES.index(shade)
    assert abs(steps) <= TOLERANCE_STEPS, SHADE["pages"][page]["url"]


@pytest.mark.parametrize("plant", SPECIES)
def test_classes_that_differ_have_a_reason_and_classes_that_agree_have_none(plant):
    differ = len(published(plant)) > 1
    assert differ == ("differs" in SPECIES[plant])


@pytest.mark.parametrize(("plant", "shade", "page"), READ_FACTS)
def test_every_class_is_one_of_five_and_every_page_is_named(plant, shade, page):
    assert {shade, SPECIES[plant]["class"]} <= set(CLASSES)
    assert SHADE["pages"][page]["url"].startswith("http")


def test_at_least_thirty_species_are_compared():
    print(f"{len(SPECIES)} species, {len(READ_FACTS)} classes read on pages")
    assert len(SPECIES) >= 30


def published(plant: str) -> set[str]:
    return {SPECIES[plant]["class"], *(page["class"] for page in SPECIES[plant].get("read", ()))}
