"""Lengths as people write them. The strings are those on which common number parsers fail."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from chatkey.understand import Understanding

INCH = 25.4


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("needles 2-3 in", 2 * INCH, 3 * INCH),
        ("needles an inch and a half", 1.5 * INCH, 1.5 * INCH),
        ("needles about 8cm long", 80, 80),
        ("needles 1 1/2 inches", 1.5 * INCH, 1.5 * INCH),
        ("needles ¾ inch", 0.75 * INCH, 0.75 * INCH),
        ("needles half an inch", 0.5 * INCH, 0.5 * INCH),
        ('needles 2.5"', 2.5 * INCH, 2.5 * INCH),
        ("needles two to three inches long", 2 * INCH, 3 * INCH),
        ("needles 20 mm", 20, 20),
        ("needles a couple inches", 2 * INCH, 2 * INCH),
        ("needles under an inch", INCH / 3, INCH),
        ("needles at least 3 in", 3 * INCH, 9 * INCH),
        ("needles inch and a half", 1.5 * INCH, 1.5 * INCH),
        ("needles 3/4 of an inch", 0.75 * INCH, 0.75 * INCH),
        ("needles like 4-ish inches", 4 * INCH, 4 * INCH),
        ("needles 10cm to 12cm", 100, 120),
        ("needles an inch and a bit", INCH, 1.3 * INCH),
        ("needles a foot long or more", 12 * INCH, 36 * INCH),
        ("needles ain't no longer than an inch", INCH / 3, INCH),
        ("needles between 2 and 3 inches", 2 * INCH, 3 * INCH),
    ],
)
def test_a_length_of_needles_is_read_in_mm(
    heard: Callable[[str], Understanding], text: str, low: float, high: float
) -> None:
    (claim,) = [claim for claim in heard(text).claims if claim.character == "needle_length"]
    assert claim.quantity is not None
    assert (claim.quantity.low, claim.quantity.high) == pytest.approx((low, high), rel=1e-3)


@pytest.mark.parametrize("text", ["cones hang down 6 in and sticky", "cones hang down, 6 in and kinda sticky"])
def test_an_and_behind_inches_takes_no_length_away_and_what_is_unknown_is_told(
    heard: Callable[[str], Understanding], text: str
) -> None:
    understanding = heard(text)
    (length,) = [claim.quantity for claim in understanding.claims if claim.character == "cone_length"]
    assert length is not None
    assert (length.low, length.high) == pytest.approx((6 * INCH, 6 * INCH), rel=1e-3)
    assert [words for words in understanding.not_understood if "sticky" in words]


def test_a_finger_and_a_ruler_say_how_a_length_was_measured(heard: Callable[[str], Understanding]) -> None:
    texts = ("needles long as my finger", "needles 3 in, measured with a ruler", "needles 3 in")
    quantities = [claim.quantity for text in texts for claim in heard(text).claims if claim.quantity]
    assert [quantity.measured_by for quantity in quantities] == ["thumb", "ruler", "eye"]


@pytest.mark.parametrize("text", ["the tree is 60 ft tall", "5 in most", "20 in one tuft", "needles 2 mm wide"])
def test_what_is_no_length_of_ours_is_not_taken_for_one(heard: Callable[[str], Understanding], text: str) -> None:
    assert not [claim for claim in heard(text).claims if claim.character.endswith("_length")]


@pytest.mark.parametrize(
    ("text", "state"),
    [("five to a bundle", "five"), ("bunches of like 3", "three"), ("needles in 2s", "two"), ("2 per bundle", "two")],
)
def test_a_count_in_bundles_is_a_state(heard: Callable[[str], Understanding], text: str, state: str) -> None:
    assert ("needles_per_bundle", (state,)) in [(claim.character, claim.states) for claim in heard(text).claims]


@pytest.mark.parametrize(
    ("text", "state"),
    [
        ("4200 ft elevation", "high"),
        ("sign says 6,500 feet", "high"),
        ("up around 4k ft", "high"),
        ("about 500 feet", "low"),
    ],
)
def test_a_height_above_the_sea_says_whether_it_is_high(
    heard: Callable[[str], Understanding], text: str, state: str
) -> None:
    assert [claim.states for claim in heard(text).claims if claim.character == "high_place"] == [(state,)]


@pytest.mark.parametrize(
    "text", ["tree is 40 ft tall", "bark like a cigar", "a seedling no taller than my hand", "5 in most bundles"]
)
def test_a_length_of_something_else_is_no_length_of_a_needle(heard: Callable[[str], Understanding], text: str) -> None:
    assert not [claim for claim in heard(text).claims if claim.quantity]


@pytest.mark.parametrize(
    ("text", "states"),
    [
        ("twos and threes", ("two", "three")),
        ("five to a bundle", ("five",)),
        ("2 or 3 in each bunch", ("three", "two")),
    ],
)
def test_counts_are_read_without_and_with_a_bundle(
    heard: Callable[[str], Understanding], text: str, states: tuple[str, ...]
) -> None:
    (claim,) = [claim for claim in heard(text).claims if claim.character == "needles_per_bundle"]
    assert set(claim.states) == set(states)
