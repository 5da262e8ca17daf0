"""Which answer was likeliest a slip, and what would set two plants apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.identify import believe, comparison, slips
from chatkey.terms import Claim, Place, Quantity

SIGNS = ("a", "b", "c", "d", "e")
YES_NO = ("yes", "no")
STEADY = ("leaf_kind", "needle_place", "leaf_section", "leaf_base", "bands_below", "twig_surface", "bud_shape")


@pytest.fixture(scope="module")
def small(grow, character):
    plants = {"all_yes": {sign: {"yes": 1} for sign in SIGNS}, "all_no": {sign: {"no": 1} for sign in SIGNS}}
    return grow(plants, tuple(character(sign, YES_NO) for sign in SIGNS))


@pytest.mark.parametrize("wrong", SIGNS)
def test_the_answer_that_contradicts_all_others_is_the_likeliest_slip(small, wrong):
    found = slips(believe(small, [Claim(sign, ("no" if sign == wrong else "yes",)) for sign in SIGNS]))
    assert found[0].character == wrong
    assert found[0].probability > 0.5 > 0.1 > found[1].probability


@pytest.mark.parametrize(
    "taxon", ["tsuga_canadensis", "abies_balsamea", "picea_glauca", "pinus_strobus", "taxus_canadensis"]
)
def test_one_wrong_word_about_a_shipped_plant_is_found(table, taxon):
    cells = table.knowledge.taxa[taxon].cells
    usual = {
        name: max(cells[name].weights, key=cells[name].weights.get)
        for name in STEADY
        if name in cells and cells[name].weights and table.applies[table.row(taxon), table.characters.index(name)]
    }
    claims = {name: Claim(name, (state,)) for name, state in usual.items()}
    for wrong in ("needle_place", "leaf_kind"):
        other = next(state for state in ("scale", "tufts") if state in table.knowledge.characters[wrong].states)
        spoilt = {**claims, wrong: Claim(wrong, (other,))}
        assert slips(believe(table, list(spoilt.values())))[0].character == wrong


def test_answers_that_agree_are_hardly_slips(small):
    found = slips(believe(small, [Claim(sign, ("yes",)) for sign in SIGNS]))
    assert max(slip.probability for slip in found) < 0.1


def test_a_slip_is_the_probability_that_the_plant_shows_none_of_what_was_said(small):
    """Summed by hand over both plants, something else, and every true state."""
    belief = believe(small, [Claim("a", ("yes",)), Claim("b", ("no",))])
    shown = {"all_yes": np.array([0.975, 0.025]), "all_no": np.array([0.025, 0.975])}  # with the mixture
    hearing = {"a": np.array([0.9, 0.1]), "b": np.array([0.1, 0.9])}  # P(what was heard | yes, no)
    wrong = {"a": 1, "b": 0}
    for slip in slips(belief):
        total = belief.something_else * hearing[slip.character][wrong[slip.character]]
        for plant, p in zip(small.taxa, belief.probability, strict=True):
            joint = shown[plant] * hearing[slip.character]
            total += p * joint[wrong[slip.character]] / joint.sum()
        assert slip.probability == pytest.approx(total, abs=1e-12)


def test_of_two_contradictions_the_guess_is_the_likelier_slip(small):
    """Two against two, and one of them only guessed."""
    claims = [Claim("a", ("yes",)), Claim("b", ("yes",)), Claim("c", ("no",)), Claim("d", ("no",), hedge=1.0)]
    found = {slip.character: slip.probability for slip in slips(believe(small, claims))}
    assert found["d"] > found["a"]
    assert found["d"] > 0.2


@pytest.mark.parametrize("error", [0.1, 0.2, 0.25, 0.3])
def test_an_answer_about_what_is_often_misjudged_can_be_a_slip(grow, character, error):
    plants = {"all_yes": {sign: {"yes": 1} for sign in SIGNS}, "all_no": {sign: {"no": 1} for sign in SIGNS}}
    small = grow(plants, tuple(character(sign, YES_NO, error=error if sign == "a" else 0.1) for sign in SIGNS))
    found = slips(believe(small, [Claim(sign, ("no" if sign == "a" else "yes",)) for sign in SIGNS]))
    assert found[0].character == "a"
    assert found[0].probability > 0.5


def test_every_answer_about_a_shipped_character_can_be_a_slip(table):
    for name in table.characters:
        for state in table.knowledge.characters[name].states:
            (slip,) = slips(believe(table, [Claim(name, (state,))]))
            assert slip.probability > 0, (name, state)


def test_a_denial_that_contradicts_the_others_is_a_slip(small):
    claims = [Claim("a", ("yes",), negated=True), *(Claim(sign, ("yes",)) for sign in SIGNS[1:])]
    assert slips(believe(small, claims))[0].character == "a"


def test_a_length_far_from_the_plant_is_a_slip(table):
    claims = [
        Claim("needle_place", ("bundles",)),
        Claim("needles_per_bundle", ("five",)),
        Claim("leaf_stiffness", ("soft",)),
        Claim("needle_length", quantity=Quantity(6, 8)),
    ]
    assert slips(believe(table, claims, Place("MI")))[0].character == "needle_length"


@given(data=st.data())
@settings(deadline=None, max_examples=40)
def test_slips_are_probabilities_likeliest_first_one_an_answer(table, claim_lists, data):
    claims = data.draw(claim_lists)
    found = slips(believe(table, claims))
    assert sorted(slip.character for slip in found) == sorted(claim.character for claim in claims)
    chances = [slip.probability for slip in found]
    assert chances == sorted(chances, reverse=True)
    assert all(-1e-12 <= chance <= 1 + 1e-12 for chance in chances)


PAIRS = [
    ("tsuga_canadensis", "abies_balsamea"),
    ("picea_glauca", "picea_mariana"),
    ("pinus_strobus", "pinus_resinosa"),
    ("tsuga_canadensis", "taxus_canadensis"),
    ("thuja_occidentalis", "juniperus_virginiana"),
    ("abies_balsamea", "picea_abies"),
]


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_two_plants_are_parted_by_what_both_can_show_and_in_which_they_differ(table, first, second):
    found = comparison(believe(table, []), first, second)
    assert 1 <= len(found) <= 2
    assert [one.log_odds for one in found] == sorted((one.log_odds for one in found), reverse=True)
    for one in found:
        c = table.characters.index(one.character)
        assert table.applies[table.row(first), c]
        assert table.applies[table.row(second), c]
        assert one.first != one.second
        assert one.log_odds > 0
        assert table.knowledge.characters[one.character].effort <= 4
        for taxon, shown in ((first, one.first), (second, one.second)):
            cell = table.knowledge.taxa[taxon].cells[one.character]
            assert (shown in cell.weights) if isinstance(shown, str) else (shown == cell.range[1:3])


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_a_comparison_the_other_way_round_is_the_same_turned(table, first, second):
    belief = believe(table, [])
    turned = [(one.character, one.second, one.first) for one in comparison(belief, second, first)]
    assert turned == [(one.character, one.first, one.second) for one in comparison(belief, first, second)]


def test_what_is_left_out_is_not_compared(table):
    belief = believe(table, [])
    best = comparison(belief, *PAIRS[0])[0].character
    assert best not in {one.character for one in comparison(belief, *PAIRS[0], leave_out={best}, most=99)}


def test_the_best_separator_is_the_one_that_differs_most(grow, character):
    plants = {
        "a": {"clear": {"yes": 1}, "weak": {"yes": 0.6, "no": 0.4}, "same": {"yes": 1}, "only_a": {"yes": 1}},
        "b": {"clear": {"no": 1}, "weak": {"yes": 0.4, "no": 0.6}, "same": {"yes": 1}, "only_a": None},
    }
    small = grow(plants, tuple(character(name, YES_NO) for name in ("weak", "same", "only_a", "clear")))
    found = comparison(believe(small, []), "a", "b", most=9)
    assert [(one.character, one.first, one.second) for one in found] == [("clear", "yes", "no"), ("weak", "yes", "no")]


def test_what_can_be_seen_on_one_of_two_plants_only_does_not_part_them(grow, character):
    """Both are scored for it, but the second never has what it is asked of."""
    plants = {
        "a": {"fruit": {"yes": 1}, "fruit_red": {"yes": 1}},
        "b": {"fruit": {"no": 1}, "fruit_red": {"no": 1}},
    }
    red = character("fruit_red", YES_NO, only_if={"fruit": ("yes",)})
    small = grow(plants, (character("fruit", YES_NO), red))
    assert [one.character for one in comparison(believe(small, []), "a", "b")] == ["fruit"]


def test_a_plant_and_itself_differ_in_nothing(table):
    assert comparison(believe(table, []), "tsuga_canadensis", "tsuga_canadensis") == ()
