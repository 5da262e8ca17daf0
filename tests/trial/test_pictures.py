"""The page of a trial: what is drawn is what was found, whether many talks were held or few."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chatkey.identify import Table, build_table
from chatkey.knowledge import load_knowledge
from chatkey.trial.finders import World
from chatkey.trial.outcome import Outcome
from chatkey.trial.pictures import page, questions_by_taxon, right_after
from chatkey.trial.run import Trial
from chatkey.trial.view import confusions, sentences, table_rows, trial_view

MICHIGAN = World()
FIR, FRASER = "abies_balsamea", "abies_fraseri"
RIGHT = Outcome(
    FIR,
    FIR,
    0.95,
    True,
    in_three=True,
    genus_right=True,
    questions=3,
    rank="species",
    said=0.95,
    said_right=True,
    status=True,
    by_question=(False, True),
)
WRONG = replace(RIGHT, leader=FRASER, probability=0.4, is_right=False, questions=8, rank="", by_question=(False,) * 4)
NOTHING = replace(WRONG, leader="")


@pytest.fixture(scope="module")
def table() -> Table:
    return build_table(load_knowledge())


def trial(table: Table, *talks: Outcome, world: World = MICHIGAN, name: str = "ours") -> Trial:
    return Trial(world, 7, {name: talks}, table)


def test_pairs_are_counted_in_common_names_the_commonest_first(table: Table) -> None:
    found = confusions(trial(table, WRONG, NOTHING, RIGHT, WRONG), 20)
    assert found == [("balsam fir", "Fraser fir", 2), ("balsam fir", "something else", 1)]
    assert confusions(trial(table, WRONG, NOTHING, WRONG), 1) == [("balsam fir", "Fraser fir", 2)]


def test_a_talk_that_has_ended_keeps_its_last_value() -> None:
    assert right_after([RIGHT, WRONG], 4) == [0.0, 0.5, 0.5, 0.5]


def test_questions_are_shown_of_a_taxon_that_was_met_five_times(table: Table) -> None:
    assert questions_by_taxon(trial(table, *[RIGHT] * 4)) == []
    assert questions_by_taxon(trial(table, *[RIGHT] * 4, WRONG)) == [("balsam fir", 4.0, 5)]


def test_a_share_of_nothing_is_none_for_programs_and_a_dash_for_people(table: Table) -> None:
    held = trial(table, replace(WRONG, status=None))
    found = trial_view(held)
    assert found["slip_auc"] is None
    assert (found["engines"]["ours"]["sure_right"], found["engines"]["ours"]["status_right"]) == (None, None)
    assert table_rows(held)[0][-3:] == ("-", "0.0%", "-")


def test_no_number_of_questions_is_enough_where_half_the_answers_are_slips(table: Table) -> None:
    held = trial(table, RIGHT, world=World(slips=0.5))
    assert trial_view(held)["bounds"]["questions"] is None
    assert "more than any number" in sentences(held)[0]


def test_the_page_says_what_was_found(table: Table) -> None:
    made = page(trial(table, *[RIGHT] * 4, WRONG))
    assert made.count("<svg") == made.count("<figcaption>") == made.count('role="img"') == 4
    assert "80.0%" in made  # species right
    assert "The commonest: balsam fir, named Fraser fir (1)." in made
    assert "From the first message to the end: ours 0% to 80%." in made
    assert "From 4.0 for balsam fir to 4.0 for balsam fir." in made
    assert page(trial(table, *[RIGHT] * 4, WRONG)) == made


def test_a_page_of_one_talk_without_questions_has_four_pictures_too(table: Table) -> None:
    made = page(trial(table, replace(RIGHT, by_question=()), world=World(place=""), name="random_order"))
    assert made.count("<svg") == 4
    for told in ("Place: no place.", "There was no mistake.", "None of these engines asks.", "take more finders"):
        assert told in made
