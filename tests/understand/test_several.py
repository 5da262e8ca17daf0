"""Two questions put at once, and answers to an older one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chatkey.dialog import Mind
from chatkey.understand import understand
from chatkey.understand.choice import numbered_answers
from chatkey.understand.pending import question_about


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1b 2a", [("leaf_tip", "pointed"), ("leaf_section", "flat")]),
        ("1b,2b", [("leaf_tip", "pointed"), ("leaf_section", "four_sided")]),
        ("1) 2  2) 1", [("leaf_tip", "pointed"), ("leaf_section", "flat")]),
        ("1. sharp 2. flat", [("leaf_tip", "sharp"), ("leaf_section", "flat")]),
        ("1 sharp 2 dunno", [("leaf_tip", "sharp")]),
        ("2a", [("leaf_section", "flat")]),
        ("1 2", [("leaf_tip", "sharp"), ("leaf_section", "four_sided")]),
        ("b", [("leaf_tip", "pointed")]),
        ("sharp and flat", [("leaf_tip", "sharp"), ("leaf_section", "flat")]),
        ("1b2a", [("leaf_tip", "pointed"), ("leaf_section", "flat")]),
        ("(1b) (2a)", [("leaf_tip", "pointed"), ("leaf_section", "flat")]),
        ("#1 b #2 a", [("leaf_tip", "pointed"), ("leaf_section", "flat")]),
        ("1: b; 2: a", [("leaf_tip", "pointed"), ("leaf_section", "flat")]),
        ("2a 1b", [("leaf_section", "flat"), ("leaf_tip", "pointed")]),
    ],
)
def test_two_questions_are_answered_in_one_message(mind: Mind, text: str, expected: list[tuple[str, str]]) -> None:
    first, second = (question_about(name, mind.knowledge) for name in ("leaf_tip", "leaf_section"))
    claims = understand(text, mind.knowledge, mind.lexicon, replace(first, further=(second,))).claims
    assert [(claim.character, claim.states[0]) for claim in claims] == expected
    for claim in claims:
        assert claim.text == text[claim.span[0] : claim.span[1]]


def test_a_question_behind_the_answers_is_heard_too(mind: Mind) -> None:
    first, second = (question_about(name, mind.knowledge) for name in ("leaf_tip", "leaf_section"))
    understood = understand("1b 2a why?", mind.knowledge, mind.lexicon, replace(first, further=(second,)))
    assert set(understood.intents) == {"answer", "why"}
    assert len(understood.claims) == 2


@pytest.mark.parametrize("text", ["flat", "3 in a bundle", "2b or not", "10b", ""])
def test_what_is_no_list_of_answers_is_read_as_words(text: str) -> None:
    assert numbered_answers(text, 1) is None


@pytest.mark.parametrize(
    "text",
    [
        "2 in a bundle",
        "2 needles in a bundle, long",
        "2 a bundle",
        "1.5 inches",
        "1 to 2 inches",
        "1b 1a",
        "1 2",
        "a b",
    ],
)
def test_a_number_that_counts_or_measures_names_no_question(text: str) -> None:
    assert numbered_answers(text, 2) is None


@pytest.mark.parametrize(
    ("text", "states"), [("1b", ("pointed",)), ("1C", ("blunt",)), ("1b.", ("pointed",)), ("2b", ())]
)
def test_a_key_of_two_questions_answers_one_that_stands_alone(mind: Mind, text: str, states: tuple[str, ...]) -> None:
    claims = understand(text, mind.knowledge, mind.lexicon, question_about("leaf_tip", mind.knowledge)).claims
    assert tuple(state for claim in claims for state in claim.states) == states


def test_an_answer_to_an_older_question_is_taken_beside_the_new_one(mind: Mind) -> None:
    pending = question_about("leaf_section", mind.knowledge)
    claims = understand("oh and the twig was hairy, this one is flat", mind.knowledge, mind.lexicon, pending).claims
    assert {claim.character for claim in claims} == {"twig_hair", "leaf_section"}


@pytest.mark.parametrize(("text", "state"), [("no it's smooth", "smooth"), ("wait, smooth", "smooth")])
def test_a_correction_goes_to_what_was_spoken_of_before(mind: Mind, text: str, state: str) -> None:
    known = {"leaf_section": ("flat",), "twig_hair": ("hairy",)}
    claims = understand(text, mind.knowledge, mind.lexicon, None, known).claims
    assert [(claim.character, claim.states) for claim in claims] == [("twig_hair", (state,))]


@pytest.mark.parametrize(
    ("character", "text", "state"),
    [
        ("spur_shoots", "yes", "present"),
        ("spur_shoots", "nope", "absent"),
        ("cone_tips", "yep", "curled"),
        ("leaf_tip", "more like 1", "sharp"),
        ("leaf_tip", "2 i guess", "pointed"),
        ("leaf_tip", "number two", "pointed"),
        ("bark", "the 3rd one", "furrowed"),
        ("palm_push", "it shoved right back, so 2", "pushes_back"),
        ("needle_place", "in clumps of 5", "bundles"),
        ("flowers", "none", "none"),
    ],
)
def test_an_answer_in_few_words_is_the_state_meant(mind: Mind, character: str, text: str, state: str) -> None:
    pending = question_about(character, mind.knowledge)
    claims = understand(text, mind.knowledge, mind.lexicon, pending).claims
    assert [claim.states for claim in claims if claim.character == character] == [(state,)]


def test_yes_says_nothing_where_the_question_is_no_yes_or_no(mind: Mind) -> None:
    assert understand("yes", mind.knowledge, mind.lexicon, question_about("twig_colour", mind.knowledge)).claims == ()
