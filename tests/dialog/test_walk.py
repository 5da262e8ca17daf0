"""A walk: its word of care, counts and labels, and its list as rows, text and CSV."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest

from chatkey.dialog import Mind, Verdict, gathered, told, walk_csv, walk_list, walk_text
from chatkey.dialog.walk import COLUMNS
from tests.dialog.test_crew import PHONES, Crew

HEMLOCK = "MI. flat needles, soft, two white lines under, rough twig, cones under an inch with thin scales, hanging"


@pytest.fixture
def crew(mind: Mind) -> Crew:
    crew = Crew(mind)
    crew.say("ana", HEMLOCK)
    return crew


def test_a_walk_begins_with_its_word_of_care_once(mind: Mind) -> None:
    crew = Crew(mind)
    first = crew.say("ana", "start a walk")
    assert first.reply.blocks[0].kind == "caution"
    for word in (
        "stay in sight",
        "dead branches",
        "poison ivy",
        "ticks",
        "wasps",
        "One needle",
        "mouth",
        "adult",
        "911",
    ):
        assert word in first.reply.text
    crew.say("ana", "soft flat needles")
    crew.say("ana", "end the walk")
    assert "poison ivy" not in crew.say("ana", "walk").reply.text


def test_a_walk_lists_its_own_trees_only(crew: Crew) -> None:
    crew.say("ana", "start a walk")
    crew.say("ben", "needles in bundles of five")
    assert [row.number for row in walk_list(crew.mind, crew.conversation)] == [2]
    turned = crew.say("ben", "done for today")
    assert turned.reply.text.splitlines()[-1].startswith("2. ")
    assert turned.conversation.walk is not None
    assert (turned.conversation.walk.first, turned.conversation.walk.last) == (2, 2)


def test_a_walk_that_is_on_is_not_begun_again(crew: Crew) -> None:
    crew.say("ana", "start a walk")
    before = crew.conversation
    assert crew.say("ben", "start a walk").reply.text
    assert crew.conversation.walk == before.walk
    assert crew.conversation.trees == before.trees


def test_an_empty_walk_ends_in_words(mind: Mind) -> None:
    crew = Crew(mind)
    crew.say("ana", "walk")
    assert "No tree" in crew.say("ana", "end the walk").reply.text


def test_counts_add_up_and_are_said_back(crew: Crew) -> None:
    assert crew.say("ben", "12 more of the same").reply.text == "That makes 13."
    assert "3 dead" in crew.say("ana", "3 dead, 5 browsed").reply.text
    crew.say("ana", "minus 1")
    assert crew.conversation.tree.count == 12
    assert crew.conversation.tree.conditions == {"dead": 3, "browsed": 5}


def test_undo_takes_back_the_same_readers_count_and_no_others(crew: Crew) -> None:
    crew.say("ben", "12 more of the same")
    crew.say("ana", "2 more, both dead")
    crew.say("ben", "undo")
    assert crew.conversation.tree.count == 3
    assert crew.conversation.tree.claims
    crew.say("ana", "undo")
    assert crew.conversation.tree.count == 1
    assert crew.conversation.tree.claims
    crew.say("ana", "undo")
    assert crew.conversation.tree.claims == ()


def test_a_count_leaves_the_belief_and_the_waiting_question_alone(mind: Mind) -> None:
    crew = Crew(mind)
    before = crew.say("ana", "soft flat needles, MI")
    after = crew.say("ben", "12 more of the same")
    assert after.view["candidates"] == before.view["candidates"]
    assert after.conversation.pending == before.conversation.pending


def test_a_count_before_the_next_tree_is_of_the_old_one(crew: Crew) -> None:
    crew.say("ben", "12 more of the same, next tree. sharp needles")
    assert [tree.count for tree in crew.conversation.trees] == [13, 1]


def test_there_are_never_fewer_trees_than_dead_ones_nor_than_one(crew: Crew) -> None:
    crew.say("ben", "3 dead")
    assert crew.conversation.tree.count == 3
    crew.say("ben", "undo")
    crew.say("ben", "minus 5")
    assert crew.conversation.tree.count == 1


def test_a_row_holds_all_that_is_known_of_a_tree(crew: Crew) -> None:
    crew.say("ben", "tag 14, plot 3")
    crew.say("ben", "2 more, both dead")
    (row,) = walk_list(crew.mind, crew.conversation)
    shown = crew.conversation.tree.shown
    assert shown is not None
    assert (row.number, row.name, row.rank) == (1, "eastern hemlock", "species")
    assert row.probability == shown.probability
    assert (row.count, row.conditions, row.tag, row.plot) == (3, (("dead", 2),), "14", "3")
    assert (row.place, row.readers, row.checked) == ("Michigan", ("Ana", "Ben"), False)
    assert walk_text((row,)).startswith("1. eastern hemlock (about ")
    assert walk_text((row,)).endswith(", 3 in all, 2 dead, tag 14, plot 3, Michigan, by Ana and Ben")


def test_a_tree_without_a_name_says_so_and_one_that_was_checked_too(crew: Crew) -> None:
    crew.say("ana", "next tree, tag 15")
    answered = told(crew.mind, crew.conversation, 1, Verdict("right"))
    rows = walk_list(crew.mind, answered.conversation)
    assert [row.checked for row in rows] == [True, False]
    assert "checked by a steward" in rows[0].words
    assert rows[1].words.startswith("2. not named yet, tag 15")


def test_the_table_reads_back_with_its_header(crew: Crew) -> None:
    crew.say("ben", "12 more of the same")
    text = walk_csv(walk_list(crew.mind, crew.conversation))
    header, row = csv.reader(io.StringIO(text, newline=""))
    assert tuple(header) == COLUMNS
    assert row[:2] == ["1", "eastern hemlock"]
    assert text.endswith("\r\n")
    assert text.encode("utf-8").decode("utf-8") == text


@pytest.mark.parametrize("name", ["=1+2", "+1", "-1", "@sum", " =1", "\t=1"])
def test_a_cell_that_would_run_is_made_text(crew: Crew, name: str) -> None:
    (row,) = walk_list(crew.mind, crew.conversation)
    text = walk_csv((replace(row, readers=(name,), name=f'{name}, "quoted"'),))
    _, cells = csv.reader(io.StringIO(text, newline=""))
    assert cells[COLUMNS.index("readers")] == f"'{name}"
    assert cells[COLUMNS.index("name")] == f'\'{name}, "quoted"'


def test_a_crew_lists_its_trees_without_the_waiting_question(mind: Mind) -> None:
    crew = Crew(mind)
    crew.say("ana", "soft flat needles, MI")
    turned = crew.say("ben", "list")
    assert turned.reply.ask is None
    assert turned.reply.text.startswith("1. ")


def test_what_is_said_with_the_start_is_said_of_the_first_tree_of_the_walk(crew: Crew) -> None:
    turned = crew.say("ben", "start a walk. needles in bundles of five")
    assert turned.view["tree"] == 2
    assert {claim.reader for claim in turned.conversation.tree.claims} == {PHONES["ben"]}
    assert turned.reply.ask is not None


def test_a_steward_gets_the_counts_labels_and_names_of_a_tree(crew: Crew) -> None:
    crew.say("ben", "tag 14, 2 more, both dead")
    row = gathered(crew.mind, crew.conversation, 1)
    assert list(row["readers"].values()) == ["Ana", "Ben"]
    assert (row["count"], row["conditions"], row["tag"], row["plot"]) == (3, {"dead": 2}, "14", "")
    assert row["looks"] == []
