"""Claims of one or many readers to one reading per character: P(what was heard | true state)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.identify import believe, readings
from chatkey.identify.evidence import heard, standing_claims
from chatkey.identify.table import heard_length, range_mass
from chatkey.terms import Claim, Quantity

ROUND, FLAT = Claim("form", ("round",)), Claim("form", ("flat",))


@pytest.fixture(scope="module")
def small(grow, character):
    return grow(
        {"a": {"form": {"round": 1}, "hue": {"red": 1}}, "b": {"form": {"flat": 1}, "hue": {"blue": 1}}},
        (
            character("form", ("round", "flat")),
            character("hue", ("red", "green", "blue", "grey"), error=0.09),
            character("fruit", ("cup", "none"), denied_is_weak=True),
            character("length"),
        ),
    )


def said(claim: Claim, n: int, reader: str = "Ana", **rest: object) -> Claim:
    return replace(claim, reader=reader, sequence=n, message=str(n), **rest)


def test_a_sure_answer_is_heard_as_often_as_observers_are_right(small):
    assert heard(small, ROUND) == pytest.approx([0.9, 0.1])
    assert heard(small, Claim("hue", ("red",))) == pytest.approx([0.91, 0.03, 0.03, 0.03])


def test_two_states_in_one_answer_are_heard_as_often_as_either(small):
    assert heard(small, Claim("hue", ("red", "blue"))) == pytest.approx([0.94, 0.06, 0.94, 0.06])


def test_a_denial_is_spread_over_the_other_states(small):
    assert heard(small, Claim("hue", ("red",), negated=True)) == pytest.approx([0.09, 0.97, 0.97, 0.97])
    assert heard(small, replace(ROUND, negated=True)) == pytest.approx(heard(small, FLAT))


def test_a_full_hedge_is_half_a_guess(small):
    assert heard(small, replace(ROUND, hedge=1.0)) == pytest.approx([0.7, 0.3])
    assert heard(small, replace(ROUND, hedge=0.5)) == pytest.approx([0.8, 0.2])


def test_a_denial_of_what_is_easily_overlooked_is_a_guess(small):
    assert heard(small, Claim("fruit", ("cup",), negated=True)) == pytest.approx([0.3, 0.7])
    assert heard(small, Claim("fruit", ("cup",))) == pytest.approx([0.9, 0.1])


def test_several_readers_are_many_readings_of_one_true_state(small):
    """Ana 1, Ben 0.5 (he saw what Ana wrote), Ana asked again 0.3, worked out by hand."""
    (reading,) = readings(small, [said(ROUND, 1), said(FLAT, 2, "Ben"), said(ROUND, 3, source="asked_again")])
    by_hand = [0.9**1 * 0.1**0.5 * 0.9**0.3, 0.1**1 * 0.9**0.5 * 0.1**0.3]  # if round, if flat
    assert reading.heard == pytest.approx(by_hand, rel=1e-12)
    likelihood = [0.975 * by_hand[0] + 0.025 * by_hand[1], 0.025 * by_hand[0] + 0.975 * by_hand[1]]
    belief = believe(small, reading.claims)
    assert np.exp(belief.log_likelihood[0, :2]) == pytest.approx(likelihood, rel=1e-12)


def test_a_third_reader_weighs_as_much_as_the_second(small):
    (reading,) = readings(small, [said(ROUND, 1), said(ROUND, 2, "Ben"), said(ROUND, 3, "Cleo")])
    assert reading.heard == pytest.approx([0.9**2, 0.1**2])


def test_an_answer_to_a_comparison_weighs_half_at_most(small):
    (reading,) = readings(small, [said(ROUND, 1, source="compared")])
    assert reading.heard == pytest.approx([0.9**0.5, 0.1**0.5])
    (reading,) = readings(small, [said(ROUND, 1), said(ROUND, 2, source="compared")])
    assert reading.heard == pytest.approx([0.9**1.3, 0.1**1.3])


@pytest.mark.parametrize(
    ("claims", "stand"),
    [
        ([said(ROUND, 1), said(FLAT, 2)], [2]),  # a correction
        ([said(FLAT, 2), said(ROUND, 1)], [2]),  # the newer counts, however they are listed
        ([said(ROUND, 1), said(FLAT, 2), said(ROUND, 3)], [3]),
        ([said(ROUND, 1), said(FLAT, 2, "Ben")], [1, 2]),  # another reader corrects nobody
        ([said(ROUND, 1), said(FLAT, 2, source="asked_again")], [1, 2]),  # a second look adds to the first
        ([said(ROUND, 1), said(FLAT, 2, source="compared")], [1, 2]),
        ([said(ROUND, 1, source="compared"), said(FLAT, 2)], [1, 2]),
        ([said(ROUND, 1), said(Claim("hue", ("red",)), 2)], [1, 2]),
        ([said(ROUND, 1), said(FLAT, 2, negated=True)], [1, 2]),  # "round", then "not flat": no contradiction
        ([said(ROUND, 1), said(ROUND, 2, negated=True)], [2]),  # "round", then "not round"
        ([said(ROUND, 1, negated=True), said(FLAT, 2, negated=True)], [2]),
    ],
)
def test_a_reader_who_corrects_himself_is_taken_at_the_newer_word(claims, stand):
    assert [claim.sequence for claim in standing_claims(claims)] == stand


def test_two_words_of_one_message_both_stand(small):
    first = replace(ROUND, message="1", sequence=1)
    for negated in (False, True):
        assert len(standing_claims([first, replace(FLAT, negated=negated, message="1", sequence=2)])) == 2


def test_two_denials_of_one_message_weigh_the_same_whichever_comes_first(small):
    red, blue = (Claim("hue", (state,), negated=True, message="1") for state in ("red", "blue"))
    (one,) = readings(small, [replace(red, sequence=1), replace(blue, sequence=2)])
    (other,) = readings(small, [replace(blue, sequence=1), replace(red, sequence=2)])
    assert one.heard == pytest.approx(other.heard)
    assert one.heard[0] == pytest.approx(one.heard[2])


def test_there_is_one_reading_per_character_in_the_order_of_the_table(small):
    found = readings(small, [Claim("hue", ("red",)), ROUND, Claim("hue", ("blue",), reader="Ben")])
    assert [reading.character for reading in found] == ["form", "hue"]
    assert readings(small, []) == ()


FOUR = st.lists(st.floats(0.5, 600), min_size=4, max_size=4).map(sorted).filter(lambda four: four[0] < four[3])


@given(four=FOUR)
@settings(deadline=None)
def test_the_masses_of_a_range_sum_to_one_and_lie_within_it(small, four):
    mass = range_mass(small.edges, tuple(four), 0.9)
    assert mass.sum() == pytest.approx(1, abs=1e-12)
    assert mass.min() >= 0
    outside = (small.edges[1:] < np.log(four[0]) - 1e-6) | (small.edges[:-1] > np.log(four[3]) + 1e-6)
    assert mass[outside].max(initial=0) < 1e-12


def test_nine_tenths_of_a_plant_lie_between_its_usual_numbers(small):
    edges = small.edges
    four = (np.exp(edges[10]), np.exp(edges[20]), np.exp(edges[30]), np.exp(edges[40]))
    mass = range_mass(edges, four, 0.9)
    assert [mass[10:20].sum(), mass[20:30].sum(), mass[30:40].sum()] == pytest.approx([0.05, 0.9, 0.05], abs=1e-6)
    assert mass[20:30] == pytest.approx(np.full(10, 0.09), abs=1e-6)  # even in ln mm


@given(low=st.floats(1, 300), wider=st.floats(1, 3), by=st.sampled_from(["eye", "thumb", "ruler"]))
@settings(deadline=None)
def test_the_nearer_a_true_length_to_what_was_said_the_likelier(small, low, wider, by):
    mass = heard_length(small.edges, Quantity(low, low * wider, by), small.knowledge.numbers["blur"])
    centre = (small.edges[:-1] + small.edges[1:]) / 2
    order = np.argsort(np.abs(centre - np.log(low * wider**0.5)), kind="stable")
    assert (np.diff(mass[order]) <= 1e-9).all()
    assert 0 <= mass.min() <= mass.max() <= 1


def test_a_ruler_tells_more_than_an_eye(small):
    blur = small.knowledge.numbers["blur"]
    sharp = [heard_length(small.edges, Quantity(20, 20, by), blur) for by in ("eye", "thumb", "ruler")]
    assert sharp[0].max() < sharp[1].max() < sharp[2].max()


def test_a_wider_interval_is_never_less_likely(small):
    blur = small.knowledge.numbers["blur"]
    narrow, wide = (heard_length(small.edges, Quantity(*q), blur) for q in ((20, 25), (15, 30)))
    assert (wide >= narrow).all()


def test_of_plants_with_equal_spread_the_one_with_the_nearer_length_is_likelier(grow, character):
    plants = {f"about_{mid}": {"length": (mid / 1.5, mid / 1.2, mid * 1.2, mid * 1.5)} for mid in (10, 20, 40, 80, 160)}
    small = grow(plants, (character("length"),))
    belief = believe(small, [Claim("length", quantity=Quantity(38, 42))])
    p = dict(belief.ranked())
    assert p["about_40"] > p["about_20"] > p["about_10"]
    assert p["about_40"] > p["about_80"] > p["about_160"]


def test_a_length_that_was_denied_speaks_for_the_others(small):
    short = heard(small, Claim("length", quantity=Quantity(10, 12), negated=True))
    assert short.min() == short[np.searchsorted(small.edges, np.log(11)) - 1]
    assert short[-1] == pytest.approx(1)
