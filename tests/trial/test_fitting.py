"""Discount and sharpness, fitted."""

from __future__ import annotations

import pytest

from chatkey.app import open_mind
from chatkey.trial.finders import World
from chatkey.trial.fitting import _cases, fit, score


@pytest.fixture(scope="module")
def world() -> World:
    return World(in_words=False)


def test_what_was_fitted_explains_the_finders_better_than_what_it_began_with(world: World) -> None:
    table = open_mind().table
    sharpness, shares = fit(table, world, 120, seed=3)
    cases = _cases(table, world, 120, seed=3)
    assert score(cases, sharpness, shares) > score(cases, 1.0, {"other": 0.85})
    assert set(shares.values()) <= {round(n / 10, 2) for n in range(11)}
    assert fit(table, world, 120, seed=3) == (sharpness, shares)


def test_a_family_that_is_seldom_heard_twice_keeps_the_number_for_all(world: World) -> None:
    _, shares = fit(open_mind().table, world, 30, seed=3)
    assert list(shares) == ["other"]
