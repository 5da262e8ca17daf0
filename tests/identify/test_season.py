"""What the time of year says. Shares of bare larches by month are from memory; that they drop their needles in autumn:
Flora of North America vol. 2, Larix ("leaves deciduous")."""

from __future__ import annotations

import numpy as np
import pytest

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.identify import believe
from chatkey.terms import Claim, Place

LARCHES = ("larix_laricina", "larix_decidua", "larix_kaempferi")
BARE = Claim("leaves_on", ("bare",))
NEEDLES = Claim("leaf_kind", ("needle",))
TUFTS = Claim("needle_place", ("tufts",), sequence=1, message="1")


@pytest.fixture(scope="module")
def mind() -> Mind:
    return open_mind()


def larch(mind: Mind, claims: list[Claim], month: int | None) -> float:
    return believe(mind.table, claims, Place("MI"), month).of(LARCHES)


def test_needles_in_winter_speak_against_a_larch_and_in_summer_they_do_not(mind: Mind) -> None:
    winter, untold, summer = (larch(mind, [NEEDLES, TUFTS], month) for month in (1, None, 7))
    assert winter < untold < summer


def test_a_bare_tree_in_summer_is_less_likely_a_larch_than_in_winter(mind: Mind) -> None:
    summer, untold, winter = (larch(mind, [BARE], month) for month in (7, None, 1))
    assert summer < untold < winter


def test_the_month_is_the_ratio_of_the_shares_and_no_more(mind: Mind) -> None:
    """Odds against a spruce change by P(on | larch, January) / P(on | larch), with the mixture of 5 %."""
    claims = [NEEDLES, TUFTS]
    odds = []
    for month in (None, 1):
        belief = believe(mind.table, claims, Place("MI"), month)
        odds.append(belief.of(["larix_laricina"]) / belief.of(["picea_glauca"]))
    cell = mind.knowledge.taxa["larix_laricina"].cells["leaves_on"].weights
    bare = mind.knowledge.characters["leaves_on"].by_month["bare"][0]
    wanted = (0.95 * (1 - bare) + 0.025) / (0.95 * cell["on"] + 0.025)
    assert odds[1] / odds[0] == pytest.approx(wanted)


def test_the_month_alone_says_nothing_and_a_wrong_one_does_not_lock_the_answer(mind: Mind) -> None:
    for month in range(1, 13):
        nothing = believe(mind.table, [], Place("MI"), month)
        assert np.array_equal(nothing.probability, believe(mind.table, [], Place("MI")).probability)
        assert nothing.probability.sum() + nothing.something_else == pytest.approx(1)
    told = [NEEDLES, TUFTS, Claim("spur_shoots", ("present",)), Claim("leaf_drop", ("falls",))]
    assert larch(mind, told, 1) > 0.5


def test_a_denial_shows_no_leaves(mind: Mind) -> None:
    denied = [Claim("leaf_kind", ("scale",), negated=True)]
    assert larch(mind, denied, 1) == pytest.approx(larch(mind, denied, None))
