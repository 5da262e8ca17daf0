"""Denials, hedges, contrast, either-or, corrections."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from chatkey.understand import Understanding


def signs(understanding: Understanding) -> list[str]:
    return [f"{'!' if c.negated else ''}{c.character}={'|'.join(c.states)}" for c in understanding.claims]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("not sharp", ["!leaf_tip=sharp"]),
        ("no cones", ["!cones_present=present"]),
        ("doesn't roll", ["!leaf_rolls=rolls"]),
        ("without white lines underneath", ["!bands_below=two_lines"]),
        ("soft but not flat", ["leaf_stiffness=soft", "!leaf_section=flat"]),
        ("not stiff or sharp", ["!leaf_stiffness=stiff", "!leaf_tip=sharp"]),
        ("flat? no, square", ["!leaf_section=flat", "leaf_section=four_sided"]),
        ("flat rather than square", ["leaf_section=flat", "!leaf_section=four_sided"]),
        ("flat, wait, square", ["leaf_section=four_sided"]),
        ("not only soft but flat", ["leaf_stiffness=soft", "leaf_section=flat"]),
        ("neither flat nor square", ["!leaf_section=flat", "!leaf_section=four_sided"]),
    ],
)
def test_a_denial_turns_what_it_reaches_and_nothing_else(
    heard: Callable[[str], Understanding], text: str, expected: list[str]
) -> None:
    assert signs(heard(text)) == expected


def test_a_hedge_falls_on_the_nearest_fact(heard: Callable[[str], Understanding]) -> None:
    first, second = heard("kinda soft and flat").claims
    assert first.hedge > 0
    assert second.hedge == 0


def test_what_is_only_wondered_is_not_said(heard: Callable[[str], Understanding]) -> None:
    assert signs(heard("soft. not sure if it rolls")) == ["leaf_stiffness=soft"]


def test_two_states_with_or_between_are_one_claim_of_both(heard: Callable[[str], Understanding]) -> None:
    assert signs(heard("bundles of 2 or 3")) == ["needles_per_bundle=two|three"]
