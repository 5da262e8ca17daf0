"""Counts and labels of a crew: what is one, and what is needles, a length or the next tree."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chatkey.dialog import Mind
from chatkey.understand import understand
from chatkey.understand.pending import question_about
from chatkey.understand.tally import CONDITIONS, Tally


def counted(mind: Mind, text: str) -> tuple[int, dict[str, int]] | None:
    tally = understand(text, mind.knowledge, mind.lexicon).tally
    return (tally.more, dict(tally.of)) if tally is not None else None


@pytest.mark.parametrize(
    ("text", "more", "of"),
    [
        ("12 more of the same", 12, {}),
        ("20 more like this", 20, {}),
        ("twelve more like this one", 12, {}),
        ("a dozen more", 12, {}),
        ("one more of the same", 1, {}),
        ("ok we have 12 more of the same here", 12, {}),
        ("3 dead, 5 browsed", 0, {"dead": 3, "browsed": 5}),
        ("2 dead and 3 browsed", 0, {"dead": 2, "browsed": 3}),
        ("2 more, both dead", 2, {"dead": 2}),
        ("4 more, 3 of them planted", 4, {"planted": 3}),
        ("2 more dead", 2, {"dead": 2}),
        ("minus 1", -1, {}),
        ("minus 1 dead", 0, {"dead": -1}),
        ("2 fewer", -2, {}),
        ("another 12", 12, {}),
    ],
)
def test_a_count_of_trees_is_a_tally_and_says_nothing_of_the_plant(
    mind: Mind, text: str, more: int, of: dict[str, int]
) -> None:
    assert counted(mind, text) == (more, of)
    assert understand(text, mind.knowledge, mind.lexicon).claims == ()


@pytest.mark.parametrize(
    "text",
    [
        "5 needles",
        "bundles of 12",
        "5 more needles",
        "20 needles like this",
        "12 in a bundle",
        "needles 2 in",
        "2 more inches",
        "one more",
        "1 more",
        "one more tree",
        "dead needles",
        "3 dead needles",
        "both",
        "both dead",
        "more",
        "it is dead",
        "12",
        "0 more",
        "12345 more",
        "3 or more",
        "plot",
        "we planted 40 spruces",
    ],
)
def test_what_counts_no_trees_is_no_tally(mind: Mind, text: str) -> None:
    assert counted(mind, text) is None


def test_one_more_alone_is_the_next_tree(mind: Mind) -> None:
    assert understand("one more", mind.knowledge, mind.lexicon).intent == "new_tree"


@pytest.mark.parametrize("asked", ["needles_per_bundle", "needle_length", "leaf_tip", "place"])
def test_a_tally_answers_no_question_that_waits(mind: Mind, asked: str) -> None:
    understood = understand("12 more of the same", mind.knowledge, mind.lexicon, question_about(asked, mind.knowledge))
    assert understood.claims == ()
    assert understood.tally is not None


def test_a_number_that_answers_a_question_is_no_tally(mind: Mind) -> None:
    asked = question_about("needles_per_bundle", mind.knowledge)
    understood = understand("5", mind.knowledge, mind.lexicon, asked)
    assert understood.tally is None
    assert understood.claims[0].states == ("five",)


def test_what_stands_beside_a_tally_keeps_its_meaning_and_its_place(mind: Mind) -> None:
    text = "12 more of the same, sharp needles"
    understood = understand(text, mind.knowledge, mind.lexicon)
    assert understood.tally == Tally(12, (), (0, 19))
    (claim,) = (claim for claim in understood.claims if claim.character == "leaf_tip")
    assert text[slice(*claim.span)] == "sharp needles"


def test_a_tally_before_the_next_tree_leaves_the_intent(mind: Mind) -> None:
    understood = understand("12 more of the same, next tree", mind.knowledge, mind.lexicon)
    assert understood.intent == "new_tree"
    assert understood.tally is not None


@pytest.mark.parametrize(
    ("text", "marks"),
    [
        ("tag 14", [("tag", "14")]),
        ("tag #14, plot 3", [("tag", "14"), ("plot", "3")]),
        ("Tag no. A-12", [("tag", "A-12")]),
        ("tree #212", [("tree", "212")]),
        ("tree #2", []),
        ("the price tag said 14 dollars", []),
        ("staging 14", []),
        ("tag 1.5", []),
    ],
)
def test_labels_are_read_as_they_are_written(mind: Mind, text: str, marks: list[tuple[str, str]]) -> None:
    found = understand(text, mind.knowledge, mind.lexicon).marks
    assert [(mark.kind, mark.label) for mark in found] == marks


def test_every_condition_has_words(mind: Mind) -> None:
    assert [condition for condition in CONDITIONS if not mind.lexicon.language.tally.get(condition)] == []


@given(text=st.text(max_size=60))
def test_any_text_around_a_tally_is_taken(mind: Mind, text: str) -> None:
    understand(f"{text} 12 more of the same, tag 7 {text}", mind.knowledge, mind.lexicon)
