"""Wild or planted stands behind all that is said of a plant's place: the sums over it, written out plainly."""

from __future__ import annotations

import numpy as np
import pytest

from chatkey.app import open_mind
from chatkey.identify import Table, believe
from chatkey.identify.evidence import likelihood, readings
from chatkey.identify.prior import met, placed, prior_of
from chatkey.terms import Claim, Place

PLANTED, WILD = (Claim("setting", (state,), sequence=1, message="1") for state in ("planted", "wild"))
LOW, HIGH = (Claim("high_place", (state,), sequence=2, message="2") for state in ("low", "high"))
DRY = Claim("ground", ("dry",), sequence=3, message="3")


@pytest.fixture(scope="module")
def table() -> Table:
    return open_mind().table


@pytest.mark.parametrize("claims", [[PLANTED], [WILD, HIGH], [PLANTED, LOW, DRY], [DRY]], ids=len)
@pytest.mark.parametrize("code", ["MI", "NC", ""])
def test_it_is_the_sum_over_wild_and_planted(table: Table, claims: list[Claim], code: str) -> None:
    said = readings(table, claims)
    found = placed(table, prior_of(table, code), said, code)
    wanted = []
    for t, (wild, planted) in enumerate(zip(*met(table, code), strict=True)):
        naive, ways = 1.0, []
        for is_wild, weight in ((True, wild + 1e-6), (False, planted + 1e-6)):
            way = weight / (wild + planted + 2e-6)
            for reading in said:
                own = likelihood(table, reading)
                if reading.character == "setting":
                    heard = reading.heard[0 if is_wild else 1]
                    way *= 0.95 * heard + 0.05 * reading.heard.mean()
                else:
                    way *= own[t] if is_wild else own.mean()
            ways.append(way)
        for reading in said:
            naive *= likelihood(table, reading)[t]
        wanted.append(prior_of(table, code)[t] * sum(ways) / naive)
    wanted.append(prior_of(table, code)[-1])
    assert found == pytest.approx(np.array(wanted) / sum(wanted), abs=1e-12)


def test_a_planted_mountain_fir_may_stand_low_and_a_wild_one_does_not(table: Table) -> None:
    """By the knowledge's cell Fraser fir is wild in high places only."""
    odds = {}
    for setting in (PLANTED, WILD):
        before, after = (
            believe(table, claims, Place("NC")).of(["abies_fraseri"]) for claims in ([setting], [setting, LOW])
        )
        odds[setting.states] = after / before
    assert odds[("planted",)] > 0.8
    assert odds[("wild",)] < 0.6


def test_what_grows_wild_elsewhere_is_taken_for_planted_here(table: Table) -> None:
    row = table.row("picea_glauca")
    wild, planted = zip(*(met(table, code) for code in ("MI", "FL")), strict=True)
    assert wild[0][row] > planted[0][row]
    assert wild[1][row] < 0.1 * planted[1][row]


def test_nothing_said_of_the_place_leaves_the_prior_as_it_is(table: Table) -> None:
    prior = prior_of(table, "MI")
    assert placed(table, prior, readings(table, [Claim("leaf_kind", ("needle",))]), "MI") is prior
