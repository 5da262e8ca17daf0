"""Plants that the knowledge lacks."""

from __future__ import annotations

import pytest

from chatkey.app import open_mind
from chatkey.identify import believe, build_table
from chatkey.terms import Claim, Place
from chatkey.trial.finders import World
from chatkey.trial.unlisted import misfit, run_unlisted, without


def test_a_taxon_is_taken_out_and_its_genus_stays() -> None:
    knowledge = open_mind().knowledge
    less = without(knowledge, "picea_glauca")
    table = build_table(less)
    assert set(knowledge.leaves) - set(table.taxa) == {"picea_glauca"}
    assert "picea" in less.taxa


def test_every_talk_about_an_unlisted_plant_ends_in_one_of_four_ways() -> None:
    knowledge = open_mind().knowledge
    world = World(in_words=False)
    found = run_unlisted(knowledge, None, world, taxa=3, finders=4, seed=2)
    ways = (found.something_else, found.parent, found.nothing, found.wrong_name)
    assert (found.taxa, found.talks) == (3, 12)
    assert sum(ways) == pytest.approx(1)
    assert found.sure_wrong <= found.wrong_name
    assert found.misfit_auc is None or 0 <= found.misfit_auc <= 1
    assert run_unlisted(knowledge, None, world, taxa=3, finders=4, seed=2) == found


def test_an_answer_that_the_leader_does_not_show_is_a_misfit() -> None:
    table = open_mind().table
    fitting = [Claim("leaf_kind", ("needle",)), Claim("needle_place", ("tufts",)), Claim("leaf_drop", ("falls",))]
    odd = [*fitting, Claim("smell", ("fruit",))]
    before, after = (misfit(believe(table, claims, Place("MI"))) for claims in (fitting, odd))
    assert misfit(believe(table, [])) == 0
    assert 0 < before < after
