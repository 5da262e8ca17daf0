"""A tree that may be a yew is treated as one until two looks of different families speak against it."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.identify import YewWatch, believe, watch_yew
from chatkey.identify.yew import best_yew_question, yews
from chatkey.terms import Claim, Place

YES_NO = ("yes", "no")
MI = Place("MI")
YEW_LIKE = [Claim("leaf_section", ("flat",), message="1"), Claim("cone_kind", ("red_cup",), message="1", sequence=1)]


def answers(*pairs: tuple[str, str]) -> list[Claim]:
    """One message each, after the first."""
    return [Claim(name, (state,), message=str(n), sequence=n) for n, (name, state) in enumerate(pairs, start=2)]


def watched(table, claims, place=None) -> YewWatch:
    return watch_yew(believe(table, claims, place), claims, place)


@pytest.fixture(scope="module")
def small(grow, character):
    """A yew, met once in fifty, and a fir that differs from it in four signs of three families."""
    signs = (("a", "hand"), ("b", "hand"), ("c", "eye"), ("d", "nose"))
    characters = tuple(character(name, YES_NO, family=family) for name, family in signs)
    plants = {"taxus": {name: {"yes": 1} for name, _ in signs}, "fir": {name: {"no": 1} for name, _ in signs}}
    return grow(plants, characters, {"taxus": 1, "fir": 49})


def test_the_yews_are_all_leaves_of_the_genus(table):
    assert set(yews(table)) == {leaf for leaf in table.taxa if leaf.startswith("taxus_")}
    assert len(yews(table)) >= 4


def test_a_tree_that_looks_like_a_yew_is_watched(table):
    watch = watched(table, YEW_LIKE, MI)
    assert watch.active
    assert watch.holds
    assert watch.probability > 0.5
    assert watch.against == ()


def test_a_tree_that_never_looked_like_a_yew_is_not_watched(table):
    claims = answers(("needles_per_bundle", "five"), ("leaf_stiffness", "soft"))
    watch = watched(table, claims, MI)
    assert not watch.active
    assert not watch.holds
    assert watch.probability < 0.05


@pytest.mark.parametrize(("weight", "active"), [(0.049, False), (0.0525, True)])
def test_the_watch_begins_at_one_in_twenty(grow, character, weight, active):
    plants = {"taxus": {}, "fir": {}}
    weights = {"taxus": weight, "fir": 1 - weight}
    small = grow(plants, (character("a", YES_NO),), weights, yew={"watch": 0.05})
    assert (watched(small, []).probability >= 0.05) is active
    assert watched(small, []).active is active


def test_one_family_against_yew_is_not_enough_however_often_it_speaks(small):
    likely = [Claim(name, ("yes",), message="1") for name in ("c", "d")]
    claims = [*likely, *answers(("a", "no"), ("b", "no"))]
    watch = watched(small, claims)
    assert watch.against == ("hand",)
    assert watch.holds


def test_two_families_against_yew_end_the_watch(small):
    claims = [Claim("d", ("yes",), message="1"), *answers(("a", "no"), ("c", "no"))]
    watch = watched(small, claims)
    assert watch.active
    assert set(watch.against) == {"hand", "eye"}
    assert not watch.holds


def test_a_yew_that_became_unlikely_is_still_watched(small):
    first = [Claim("d", ("yes",), message="1"), Claim("c", ("yes",), message="1")]
    assert watched(small, first).probability >= 0.05
    claims = [*first, *answers(("a", "no"), ("b", "no"))]
    watch = watched(small, claims)
    assert watch.probability < 0.05
    assert watch.active
    assert watch.holds


def test_a_yew_that_was_likely_only_before_a_correction_is_still_watched(small):
    first = [Claim(name, ("yes",), message="1", sequence=n) for n, name in enumerate("cd")]
    corrected = [Claim(name, ("no",), message="2", sequence=2 + n) for n, name in enumerate("cd")]
    assert not watched(small, corrected).active
    assert watched(small, [*first, *corrected]).active


@pytest.mark.parametrize(
    ("fir", "yew", "odds"),
    [(1.0, 1.0, 1.0), (0.6, 0.2, 2.118), (0.75, 0.15, 2.949), (0.8, 0.15, 3.111), (0.9, 0.1, 4.102)],
)
def test_a_look_counts_from_three_to_one(grow, character, fir, yew, odds):
    """`fir`, `yew`: how often each shows "no". The odds are worked out by hand, with slips (0.1) and mixture (0.05)."""
    plants = {"taxus": {"a": {"no": yew, "yes": 1 - yew}}, "fir": {"a": {"no": fir, "yes": 1 - fir}}}
    small = grow(plants, (character("a", YES_NO),), {"taxus": 1, "fir": 1})
    heard = [0.1 + 0.8 * (0.025 + 0.95 * share) for share in (fir, yew)]
    assert heard[0] / heard[1] == pytest.approx(odds, abs=1e-3)
    assert watched(small, [Claim("a", ("no",))]).against == (("a",) if odds >= 3 else ())


@pytest.mark.parametrize(
    "true_of_a_yew", [("trunk_tufts", "absent"), ("needle_bend", "bends"), ("needle_twist", "straight")]
)
def test_what_is_asked_of_pines_only_and_fits_a_yew_does_not_speak_against_it(table, true_of_a_yew):
    """A yew has no tufts on its trunk, and its needles bend. That these are not scored for it says nothing."""
    assert watched(table, [*YEW_LIKE, *answers(true_of_a_yew)], MI).against == ()


def test_a_look_is_weighed_against_the_plants_that_the_other_answers_leave(grow, character):
    """Against all firs "no" would speak against yew; against the fir that is left it speaks for nothing."""
    plants = {
        "taxus": {"a": {"yes": 0.5, "no": 0.5}, "b": {"yes": 1}},
        "fir": {"a": {"yes": 0.5, "no": 0.5}, "b": {"yes": 1}},
        "pine": {"a": {"no": 1}, "b": {"no": 1}},
    }
    small = grow(
        plants, (character("a", YES_NO), character("b", YES_NO, error=0.001)), {"pine": 3}, evidence={"mixture": 0}
    )
    assert "a" not in watched(small, [Claim("a", ("no",)), Claim("b", ("yes",))]).against


def by_few_answers(table, claims, place) -> float:
    """The greatest P(yew) from one, two or three of the answers, each weighed as among all; summed taxon by taxon."""
    belief = believe(table, claims, place)
    prior = [*belief.prior, 1 - sum(belief.prior)]
    found = 0.0
    for size in (1, 2, 3):
        for rows in combinations(belief.log_likelihood, size):
            joint = [p * math.exp(sum(row[n] for row in rows)) for n, p in enumerate(prior)]
            found = max(found, sum(joint[table.row(yew)] for yew in yews(table)) / sum(joint))
    return found


def unsharpened(table):
    """The table in which no answer speaks louder than its own error allows."""
    numbers = table.knowledge.numbers
    changed = {**numbers, "evidence": {**numbers["evidence"], "sharpness": 1.0}}
    return replace(table, knowledge=replace(table.knowledge, numbers=changed))


@given(data=st.data(), place=st.sampled_from([None, MI, Place("ON")]))
@settings(deadline=None, max_examples=40)
def test_the_watch_is_what_every_moment_of_the_talk_says(table, claim_lists, data, place):
    claims = data.draw(claim_lists.filter(bool))
    watch = watched(table, claims, place)
    plain = unsharpened(table)
    moments = [believe(plain, claims[:n], place).of(yews(table)) for n in range(1, len(claims) + 1)]
    now = max(moments[-1], believe(table, claims, place).of(yews(table)))
    assert watch.probability == pytest.approx(now)
    least = table.knowledge.numbers["yew"]["watch"]
    assert least <= 0.05
    assert watch.active == (
        max([now, *moments]) >= least or (now >= 0.01 and by_few_answers(plain, claims, place) >= least)
    )
    assert watch.holds == (watch.active and len(set(watch.against)) < 2)
    families = {table.knowledge.characters[claim.character].family for claim in claims}
    assert set(watch.against) <= families


def test_once_watched_more_answers_never_end_the_watch_but_by_two_families(table):
    claims = list(YEW_LIKE)
    for more in answers(("needle_place", "bundles"), ("leaf_stiffness", "stiff"), ("smell", "resin")):
        claims.append(more)
        watch = watched(table, claims, MI)
        assert watch.active
        assert watch.holds == (len(watch.against) < 2)


def test_the_question_about_yew_is_a_look_by_hand_of_a_family_that_has_not_spoken(table):
    claims = [*YEW_LIKE, *answers(("leaf_tip", "blunt"))]
    belief = believe(table, claims, MI)
    watch = watch_yew(belief, claims, MI)
    assert watch.against
    heard = [claim.character for claim in claims]
    name = best_yew_question(belief, watch, heard)
    character = table.knowledge.characters[name]
    assert name not in heard
    assert character.family not in watch.against
    assert character.effort <= 2


def test_the_question_about_yew_parts_it_best_from_the_rest(small):
    belief = believe(small, [Claim("d", ("yes",))])
    watch = watch_yew(belief, [Claim("d", ("yes",))])
    assert best_yew_question(belief, watch, ["d", "a"]) in ("b", "c")
    assert best_yew_question(belief, replace(watch, against=("hand", "eye")), ["d"]) is None
    assert best_yew_question(belief, watch, ["a", "b", "c", "d"]) is None


def test_a_knowledge_without_yews_has_nothing_to_watch(grow, character):
    small = grow({"fir": {"a": {"yes": 1}}, "pine": {"a": {"no": 1}}}, (character("a", YES_NO),))
    assert watched(small, [Claim("a", ("yes",))]) == YewWatch(False, 0.0, ())


def test_a_table_of_yews_alone_has_nothing_that_speaks_against_them(grow, character):
    small = grow({"taxus": {"a": {"yes": 1}}}, (character("a", YES_NO),))
    watch = watched(small, [Claim("a", ("no",))])
    assert watch.holds
    assert watch.against == ()
    assert np.isfinite(watch.probability)
