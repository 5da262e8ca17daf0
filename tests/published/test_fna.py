"""Our taxa against published floras, one fact a test. The facts stand in fna.yaml, with the page each was read on."""

from pathlib import Path
from typing import Any

import pytest
import yaml

from chatkey.knowledge import Knowledge, load_knowledge

FLORAS: dict[str, dict[str, Any]] = yaml.safe_load(Path(__file__).with_name("fna.yaml").read_text(encoding="utf-8"))
LENGTHS = ("needle_length", "awl_length", "scale_length", "cone_length")
TOLERANCE = 0.30  # of the published number
TOLERANCE_MM = {"needle_length": 3, "awl_length": 3, "scale_length": 1, "cone_length": 3}  # where 30 % is less
COUNTS = {2: "two", 3: "three", 4: "four", 5: "five"}
COMPARED_SIDES = ("east", "plains")  # the west is named but not kept whole


def with_field(*fields: str) -> list[tuple[str, str]]:
    return [(taxon, field) for taxon, facts in FLORAS.items() for field in fields if field in facts]


LENGTH_FACTS = with_field(*(f"{character}_mm" for character in LENGTHS))
BUNDLE_FACTS = with_field("needles_per_bundle")
NATIVE_FACTS = with_field("native")


@pytest.fixture(scope="session")
def knowledge() -> Knowledge:
    return load_knowledge()


@pytest.mark.parametrize(("taxon", "field"), LENGTH_FACTS)
def test_our_usual_lengths_overlap_the_published_ones(knowledge, taxon, field):
    ours = knowledge.taxa[taxon].cells[field.removesuffix("_mm")].range
    published = published_length(taxon, field)
    assert ours[1] <= published[2]
    assert published[1] <= ours[2]


@pytest.mark.parametrize(("taxon", "field"), LENGTH_FACTS)
def test_each_of_our_lengths_lies_within_30_percent_or_a_few_mm_of_the_published_one(knowledge, taxon, field):
    character = field.removesuffix("_mm")
    ours = knowledge.taxa[taxon].cells[character].range
    pairs = zip(ours, published_length(taxon, field), strict=True)
    far = [(our, their) for our, their in pairs if their is not None and not near(our, their, TOLERANCE_MM[character])]
    assert far == [], f"ours and theirs in mm; {FLORAS[taxon]['source']}"


@pytest.mark.parametrize(("taxon", "field"), BUNDLE_FACTS)
def test_every_published_number_of_needles_counts_and_no_other_is_likelier(knowledge, taxon, field):
    weights = knowledge.taxa[taxon].cells[field].weights
    published = {COUNTS[count] for count in FLORAS[taxon][field]}
    assert all(weights.get(state, 0) > 0 for state in published)
    assert max(weights, key=weights.__getitem__) in published


@pytest.mark.parametrize(("taxon", "field"), NATIVE_FACTS)
def test_the_native_places_of_the_east_and_the_plains_are_the_published_ones(knowledge, taxon, field):
    compared = {code for code, region in knowledge.regions.items() if region.side in COMPARED_SIDES}
    ours = knowledge.taxa[taxon].range.native & compared
    published = set(FLORAS[taxon][field]) & compared
    second = set(FLORAS[taxon].get("also_native", ())) & compared
    assert sorted(published - ours) == [], "published, not ours"
    assert sorted(ours - published - second) == [], "ours, not published"


@pytest.mark.parametrize(("taxon", "field"), LENGTH_FACTS + BUNDLE_FACTS)
def test_a_compared_cell_names_a_page_and_not_memory(knowledge, taxon, field):
    sources = knowledge.taxa[taxon].cells[field.removesuffix("_mm")].sources
    assert sources
    assert "from memory" not in sources


@pytest.mark.parametrize("taxon", FLORAS)
def test_every_difference_between_sources_has_its_reason_and_its_second_value(taxon):
    differs = set(FLORAS[taxon].get("differs", {}))
    second = {field.removeprefix("also_") for field in FLORAS[taxon] if field.startswith("also_")}
    assert differs == second


@pytest.mark.parametrize("places", [*NATIVE_FACTS, *with_field("introduced")])
def test_a_published_place_is_a_place_we_know(knowledge, places):
    taxon, field = places
    assert set(FLORAS[taxon][field]) <= set(knowledge.regions)


def test_at_least_forty_taxa_and_a_hundred_facts_are_compared():
    facts = len(LENGTH_FACTS) + len(BUNDLE_FACTS) + len(NATIVE_FACTS)
    print(f"{facts} published facts about {len(FLORAS)} taxa compared")
    assert facts >= 100
    assert len(FLORAS) >= 40


def published_length(taxon: str, field: str) -> tuple[float | None, ...]:
    """Lowest, usual low, usual high, highest in mm; where two sources differ, the span of both."""
    page = FLORAS[taxon][field]
    second = FLORAS[taxon].get(f"also_{field}", page)
    picks = (min, min, max, max)
    return tuple(
        pick((n for n in numbers if n is not None), default=None)
        for pick, *numbers in zip(picks, page, second, strict=True)
    )


def near(ours: float, published: float, least_mm: float) -> bool:
    return abs(ours - published) <= max(TOLERANCE * published, least_mm)
