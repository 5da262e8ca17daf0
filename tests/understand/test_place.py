"""Places as people name them, and the traps among state codes."""

from __future__ import annotations

import pytest

from chatkey.dialog import Mind
from chatkey.terms import Place
from chatkey.understand import find_place


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("MI", "MI"),
        ("soft flat needles, two white lines under. MI", "MI"),
        ("two white lines under the needle, MI, brown twig", "MI"),
        ("creekside nr Marquette MI", "MI"),
        ("Marquette, MI", "MI"),
        ("near traverse city mi", "MI"),
        ("in northern Ontario", "ON"),
        ("upper peninsula", "MI"),
        ("the Adirondacks", "NY"),
        ("49855", "MI"),
        ("K1A 0B1", "ON"),
        ("46.55, -87.40", "MI"),
        ("46.55 N 87.40 W", "MI"),
        ("West Virginia", "WV"),
        ("new brunswick", "NB"),
        ("district of columbia", "DC"),
    ],
)
def test_a_place_is_found(mind: Mind, text: str, code: str) -> None:
    found = find_place(text, mind.knowledge)
    assert found is not None
    assert found.place.code == code


@pytest.mark.parametrize(
    "text",
    [
        "it is in me",
        "or is it soft",
        "ok it is flat",
        "needles in pairs",
        "about 12345678",
        "hi there",
        "100 ft or so",
        "OK",
    ],
)
def test_english_words_and_numbers_are_no_places(mind: Mind, text: str) -> None:
    assert find_place(text, mind.knowledge) is None


def test_a_bare_code_in_any_case_counts_where_the_place_was_asked(mind: Mind) -> None:
    assert find_place("mi", mind.knowledge) is None
    found = find_place("mi", mind.knowledge, asked=True)
    assert found is not None
    assert found.place.code == "MI"


def test_coordinates_are_rounded_to_about_a_kilometre(mind: Mind) -> None:
    found = find_place("46.54321, -87.40987", mind.knowledge)
    assert found is not None
    assert (found.place.latitude, found.place.longitude) == (46.54, -87.41)


def test_every_state_and_province_is_known_by_name(mind: Mind) -> None:
    for region in mind.knowledge.regions.values():
        found = find_place(f"I am in {region.name}", mind.knowledge)
        assert found is not None, region.name
        assert found.place.code == region.code


def test_the_word_that_leads_to_a_town_is_no_part_of_its_name(mind: Mind) -> None:
    found = find_place("near marquette mi", mind.knowledge)
    assert found is not None
    assert found.place == Place("MI", town="Marquette")
