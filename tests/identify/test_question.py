"""What a question would tell, in bits, beside scipy and beside worked examples from books."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import entropy

from chatkey.identify import believe, gains
from chatkey.identify.question import applicability, cant_tell, deeds, gain_of, information, prices, statuses
from chatkey.knowledge.model import Group, Names
from chatkey.terms import Claim, Place

YES_NO = ("yes", "no")
SINGLE = 1e-5  # bits: what is heard is kept in single precision


def told(belief, prior, likelihood, classes=None) -> float:
    """Bits that one question tells of plants with this prior. P(heard | plant) has shape (T, S)."""
    likelihood = np.asarray(likelihood, dtype=float)
    table = replace(
        belief.table,
        characters=("question",),
        starts=np.array([0]),
        heard=likelihood,
        information=(likelihood * np.log(np.maximum(likelihood, 1e-300))).sum(axis=1, keepdims=True),
    )
    own = np.arange(len(prior)) if classes is None else np.asarray(classes)
    return float(information(replace(belief, table=table, probability=np.asarray(prior, dtype=float)), own)[0])


def brute_force(belief, classes) -> np.ndarray:
    """H(class) + H(heard) - H(class, heard) of every character, by scipy, from the whole joint table."""
    table, p = belief.table, belief.probability / belief.probability.sum()
    found = []
    member = np.eye(classes.max() + 1)[classes]
    for name in table.characters:
        joint = np.einsum("t,tk,ts->ks", p, member, table.heard[:, table.options[name]].astype(float))
        bits = [entropy(part, base=2) for part in (joint.sum(axis=1), joint.sum(axis=0), joint.ravel())]
        found.append(bits[0] + bits[1] - bits[2])
    return np.array(found)


@given(data=st.data(), place=st.sampled_from(["MI", "ON", "FL"]))
@settings(deadline=None, max_examples=25)
def test_the_information_of_every_shipped_character_is_that_of_scipy(table, claim_lists, data, place):
    belief = believe(table, data.draw(claim_lists), Place(place))
    for classes in (table.alike, statuses(table, place), deeds(table, place), np.arange(len(table.taxa))):
        assert information(belief, classes) == pytest.approx(brute_force(belief, classes), abs=SINGLE)


@given(data=st.data())
@settings(deadline=None, max_examples=25)
def test_no_question_tells_more_than_there_is_to_know(table, claim_lists, data):
    belief = believe(table, data.draw(claim_lists))
    p = belief.probability / belief.probability.sum()
    bits = information(belief, table.alike)
    assert bits.min() >= 0
    assert bits.max() <= entropy(np.bincount(table.alike, weights=p), base=2) + SINGLE


@pytest.mark.parametrize(
    ("prior", "bits"),
    [
        ([1 / 2, 1 / 4, 1 / 8, 1 / 8], 1.75),  # Cover & Thomas, Elements of Information Theory, 2.1
        ([1 / 2, 1 / 4, 1 / 8, 1 / 16, 1 / 64, 1 / 64, 1 / 64, 1 / 64], 2),  # eight horses, 1.1
        ([0.9, 0.1], 0.468996),
        ([1 / 86] * 86, 6.426265),
        ([1.0], 0),
    ],
)
def test_a_flawless_question_with_an_answer_for_each_plant_tells_the_entropy(table, prior, bits):
    assert told(believe(table, []), prior, np.eye(len(prior))) == pytest.approx(bits, abs=1e-6)
    assert entropy(prior, base=2) == pytest.approx(bits, abs=1e-6)


@pytest.mark.parametrize(("slip", "bits"), [(0.0, 1), (0.05, 0.713603), (0.1, 0.531004), (0.2, 0.278072), (0.5, 0)])
def test_a_yes_or_no_answered_with_slips_tells_the_capacity_of_the_channel(table, slip, bits):
    hearing = [[1 - slip, slip], [slip, 1 - slip]]
    assert told(believe(table, []), [0.5, 0.5], hearing) == pytest.approx(bits, abs=1e-6)


def test_the_mutual_information_of_the_textbook_comes_out(table):
    """Cover & Thomas, example 2.2.1: I = 3/8 bit."""
    joint = np.array([[4, 2, 1, 1], [2, 4, 1, 1], [2, 2, 2, 2], [8, 0, 0, 0]]) / 32  # (Y, X)
    for table_of in (joint, joint.T):
        prior = table_of.sum(axis=1)
        assert told(believe(table, []), prior, table_of / prior[:, None]) == pytest.approx(3 / 8, abs=1e-6)


@pytest.mark.parametrize(
    ("played", "stayed", "bits"),
    [
        ([2, 4, 3], [3, 0, 2], 0.246750),  # outlook: sunny, overcast, rain
        ([3, 6], [4, 1], 0.151836),  # humidity: high, normal
        ([6, 3], [2, 3], 0.048127),  # wind: weak, strong
        ([2, 4, 3], [2, 2, 1], 0.029223),  # temperature: hot, mild, cool
    ],
)
def test_fourteen_days_of_weather_are_told_apart_as_published(table, played, stayed, bits):
    """Quinlan 1986, Induction of Decision Trees: 9 days of play, 5 without."""
    likelihood = [np.array(played) / 9, np.array(stayed) / 5]
    assert told(believe(table, []), [9 / 14, 5 / 14], likelihood) == pytest.approx(bits, abs=1e-6)
    days = np.repeat([0, 0, 1], [0, 9, 5])  # the same, day by day, in two classes
    rows = np.array([likelihood[day] for day in days])
    assert told(believe(table, []), [1 / 14] * 14, rows, days) == pytest.approx(bits, abs=1e-6)


def test_parting_plants_that_are_treated_alike_tells_nothing(grow, character):
    plants = {"a": {"x": {"yes": 1}}, "b": {"x": {"no": 1}}}
    apart = grow(plants, (character("x", YES_NO),))
    alike = grow(plants, (character("x", YES_NO),), groups=(Group("g", ("a", "b"), True, (), Names("g")),))
    assert gains(believe(apart, []))[0] > 0.3
    assert gains(believe(alike, []))[0] == pytest.approx(0, abs=SINGLE)


def test_what_was_answered_tells_less_the_second_time(table):
    before = gains(believe(table, []))
    after = gains(believe(table, [Claim("leaf_kind", ("needle",))]))
    c = table.characters.index("leaf_kind")
    assert after[c] < before[c] / 2


@pytest.mark.parametrize("code", ["MI", "OR"])
def test_the_gain_counts_the_plant_its_status_and_the_chance_of_an_answer(table, code):
    belief = believe(table, [Claim("leaf_kind", ("needle",))], Place(code))
    plain = brute_force(belief, table.alike)
    status = brute_force(belief, deeds(table, code))
    share = table.knowledge.numbers["asking"]["deed_share"]
    chance = (1 - cant_tell(table)) * applicability(belief)
    assert gains(belief) == pytest.approx(plain * chance, abs=SINGLE)
    assert gains(belief, Place(code)) == pytest.approx((plain + share * status) * chance, abs=SINGLE)
    assert status.max() > 0.01


@pytest.mark.parametrize("place", [None, Place("MI")], ids=str)
def test_the_gain_of_one_question_is_that_among_all(table, place):
    belief = believe(table, [Claim("leaf_kind", ("needle",)), Claim("leaf_section", ("flat",))], place)
    one_by_one = [gain_of(belief, place, c, applicability(belief)) for c in range(len(table.characters))]
    assert one_by_one == pytest.approx(gains(belief, place), abs=SINGLE)


def test_a_question_about_what_the_plant_lacks_is_worth_little(table):
    belief = believe(table, [Claim("leaf_kind", ("scale",))])
    chance = applicability(belief)
    assert chance[table.characters.index("needles_per_bundle")] < 0.2
    assert chance[table.characters.index("leaf_kind")] == pytest.approx(1)
    assert chance.min() >= 0
    assert chance.max() <= 1 + 1e-6


def test_hands_are_cheaper_than_a_lens(table):
    price = dict(zip(table.characters, prices(table), strict=True))
    efforts = {name: table.knowledge.characters[name].effort for name in table.characters}
    assert {price[name] for name in price if efforts[name] == 1} == {1.0}
    assert min(price[name] for name in price if efforts[name] == 5) > max(
        price[name] for name in price if efforts[name] <= 4
    )
