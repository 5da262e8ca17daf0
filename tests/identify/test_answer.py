"""The lowest rank that is sure enough: species, group, genus, family, no conifer, or nothing yet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.identify import believe, best_answer, status_share
from chatkey.identify.answer import ladder, leaves_of
from chatkey.knowledge.status import status_in
from chatkey.terms import Place

SPRUCES = ("picea_glauca", "picea_mariana", "picea_rubens", "picea_abies", "picea_pungens")


def believed(table, shares: dict[str, float]):
    """A belief with these probabilities; what is missing from one is something else."""
    probability = np.zeros(len(table.taxa))
    for taxon, share in shares.items():
        probability[table.row(taxon)] = share
    return replace(believe(table, []), probability=probability, something_else=1 - sum(shares.values()))


@pytest.mark.parametrize(
    ("shares", "id", "rank"),
    [
        ({"tsuga_canadensis": 0.95}, "tsuga_canadensis", "species"),
        ({"tsuga_canadensis": 0.8}, "tsuga_canadensis", "species"),  # the threshold itself is enough
        ({"taxus_baccata": 0.3, "taxus_cuspidata": 0.3, "taxus_x_media": 0.3}, "garden_yews", "group"),
        ({"taxus_baccata": 0.3, "taxus_cuspidata": 0.3, "taxus_canadensis": 0.3}, "taxus", "genus"),
        ({"pinus_strobus": 0.5, "pinus_sylvestris": 0.35}, "pinus", "genus"),
        ({"picea_glauca": 0.4, "tsuga_canadensis": 0.3, "abies_balsamea": 0.2}, "pinaceae", "family"),
        ({"casuarina_equisetifolia": 0.5, "asparagus_setaceus": 0.4}, "not_conifer", "not_conifer"),
        ({"conium_maculatum": 0.9}, "conium_maculatum", "species"),
    ],
)
def test_the_answer_is_the_lowest_rank_that_reaches_four_fifths(table, shares, id, rank):
    answer = best_answer(believed(table, shares))
    assert (answer.id, answer.rank) == (id, rank)
    assert answer.probability == pytest.approx(sum(shares.values()))
    assert set(shares) <= set(answer.members)


@pytest.mark.parametrize(
    "shares",
    [
        {"tsuga_canadensis": 0.79},
        {"tsuga_canadensis": 0.5, "taxus_canadensis": 0.45},  # no family holds both
        {"picea_glauca": 0.45, "conium_maculatum": 0.5},
        {"picea_glauca": 0.3},
    ],
)
def test_where_no_rank_is_sure_enough_nothing_is_said(table, shares):
    assert best_answer(believed(table, shares)) is None


def test_a_genus_that_is_sure_is_said_though_the_leader_stands_outside_it(table):
    """Five spruces at 0.165 each are a spruce; a fir that leads them by a hair changes nothing."""
    shares = {**dict.fromkeys(SPRUCES, 0.165), "thuja_occidentalis": 0.17}
    answer = best_answer(believed(table, shares))
    assert answer is not None
    assert (answer.id, answer.rank) == ("picea", "genus")


@given(data=st.data(), place=st.sampled_from([None, Place("MI"), Place("FL")]))
@settings(deadline=None, max_examples=60)
def test_what_is_said_is_as_probable_as_its_members_together_and_no_lower_rank_would_do(
    table, claim_lists, data, place
):
    belief = believe(table, data.draw(claim_lists), place)
    answer = best_answer(belief)
    leader = belief.ranked()[0][0]
    if answer is None:
        assert all(belief.of(members) < 0.8 for _, _, members in ladder(table.knowledge, leader))
        return
    assert answer.probability == pytest.approx(belief.of(answer.members))
    assert answer.probability >= 0.8
    lower = list(ladder(table.knowledge, leader))
    if answer.id in [id for id, _, _ in lower]:
        below = lower[: [id for id, _, _ in lower].index(answer.id)]
        assert all(belief.of(members) < 0.8 for _, _, members in below)


def test_every_leaf_climbs_from_itself_to_its_family_or_to_no_conifer(table):
    knowledge = table.knowledge
    for leaf in table.taxa:
        steps = list(ladder(knowledge, leaf))
        assert steps[0] == (leaf, "species", (leaf,))
        assert all(leaf in members for _, _, members in steps)
        assert steps[-1][1] == ("family" if knowledge.taxa[leaf].conifer else "not_conifer")
        order = ["species", "group", "genus", "family", "not_conifer"]
        ranks = [order.index(rank) for _, rank, _ in steps]
        assert ranks == sorted(ranks)


def test_the_leaves_of_a_name_are_those_under_it(knowledge):
    assert "tsuga_canadensis" in leaves_of(knowledge, "pinaceae")
    assert leaves_of(knowledge, "tsuga_canadensis") == ("tsuga_canadensis",)
    assert set(leaves_of(knowledge, "garden_yews")) == {"taxus_baccata", "taxus_cuspidata", "taxus_x_media"}
    assert "conium_maculatum" in leaves_of(knowledge, "not_conifer")
    assert "tsuga_canadensis" not in leaves_of(knowledge, "not_conifer")


@given(data=st.data(), code=st.sampled_from(["MI", "ON", "OR", "FL"]))
@settings(deadline=None, max_examples=30)
def test_shares_by_status_sum_to_one_and_are_those_of_the_leaves(table, claim_lists, data, code):
    belief = believe(table, data.draw(claim_lists), Place(code))
    shares = status_share(belief, Place(code))
    assert sum(shares.values()) == pytest.approx(1)
    knowledge = table.knowledge
    native = [leaf for leaf in table.taxa if status_in(knowledge, knowledge.taxa[leaf], code) == "native"]
    assert shares["native"] == pytest.approx(belief.of(native) / belief.probability.sum())


def test_shares_of_some_members_are_theirs_alone(table):
    belief = believed(table, {"tsuga_canadensis": 0.3, "picea_abies": 0.1, "pinus_strobus": 0.5})
    shares = status_share(belief, Place("MI"), ("tsuga_canadensis", "picea_abies"))
    assert shares["native"] == pytest.approx(0.75)
    assert shares["introduced"] == pytest.approx(0.25)
