"""Two questions wait: a message answers them in plain words, and a word is taken for one of them, never for both."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from chatkey.dialog import Mind
from chatkey.dialog.answers import heard
from chatkey.understand import Pending, Understanding, understand
from chatkey.understand.pending import question_about
from tests.walking import MESSAGES

SHAPES = ("leaf_section", "bands_below")
BUNDLES = ("needles_per_bundle", "needle_length")
FLAT, LINES = ("leaf_section", "flat"), ("bands_below", "two_lines")


def two(mind: Mind, names: tuple[str, str]) -> Pending:
    first, second = (question_about(name, mind.knowledge) for name in names)
    return replace(first, further=(second,))


def told(understood: Understanding) -> list[tuple[str, object]]:
    """Characters with their states, or the bounds of a length in whole mm."""
    return [
        (claim.character, (round(claim.quantity.low), round(claim.quantity.high)))
        if claim.quantity
        else (claim.character, "/".join(claim.states))
        for claim in understood.claims
    ]


@pytest.mark.parametrize(
    ("names", "text", "expected"),
    [
        (SHAPES, "flat, white lines below", [FLAT, LINES]),
        (SHAPES, "two pale lines. flat", [LINES, FLAT]),
        (SHAPES, "flat with white lines under it", [FLAT, LINES]),
        (SHAPES, "flat and soft, two white lines", [FLAT, ("leaf_stiffness", "soft"), LINES]),
        (SHAPES, "white lines below", [LINES]),
        (SHAPES, "2 white lines underneath", [LINES]),
        (SHAPES, "flat", [FLAT]),
        (SHAPES, "a", [FLAT]),
        (SHAPES, "a b", [FLAT, ("bands_below", "plain")]),
        (SHAPES, "a and b", [FLAT, ("bands_below", "plain")]),
        (SHAPES, "1a 2b", [FLAT, ("bands_below", "plain")]),
        (SHAPES, "flat, dunno", [FLAT]),
        (BUNDLES, "five, about 3 inches", [("needles_per_bundle", "five"), ("needle_length", (76, 76))]),
        (BUNDLES, "2, 5 inches", [("needles_per_bundle", "two"), ("needle_length", (127, 127))]),
        (BUNDLES, "1 to 2 inches", [("needle_length", (25, 51))]),
        (BUNDLES, "2 in a bundle", [("needles_per_bundle", "two")]),
        (BUNDLES, "1c 2c", [("needles_per_bundle", "five"), ("needle_length", (32, 80))]),
        (("cone_tips", "needles_per_bundle"), "two", [("needles_per_bundle", "two")]),
        (("branchlets", "bark"), "smooth, maybe with blisters", [("bark", "smooth")]),
        (("needle_twist", "cone_attitude"), "hanging down", [("cone_attitude", "hanging")]),
        (("bands_below", "gland_dot"), "just green, no dot", [("bands_below", "plain"), ("gland_dot", "absent")]),
    ],
)
def test_words_are_taken_for_the_question_they_belong_to(
    mind: Mind, names: tuple[str, str], text: str, expected: list[tuple[str, object]]
) -> None:
    understood = heard(mind, text, two(mind, names), {})
    assert told(understood) == expected
    assert understood.not_understood == ()
    assert all(claim.text == text[claim.span[0] : claim.span[1]] for claim in understood.claims)
    assert [claim.sequence for claim in understood.claims] == list(range(len(expected)))


@pytest.mark.parametrize("text", ["dunno", "can't tell", "no idea", "flat, dunno", "1a 2d"])
def test_not_knowing_is_heard_beside_an_answer_and_alone(mind: Mind, text: str) -> None:
    assert "cant_tell" in heard(mind, text, two(mind, SHAPES), {}).intents


def test_a_length_beside_a_count_is_no_cant_tell_of_a_fifth_choice(mind: Mind) -> None:
    assert "cant_tell" not in heard(mind, "five, about 3 inches", two(mind, BUNDLES), {}).intents


@pytest.mark.parametrize("text", [*MESSAGES.values(), "hemlock", "", "?", "flat. why?", "12 more like this"])
def test_what_is_no_answer_means_what_it_means_with_one_question(mind: Mind, text: str) -> None:
    one = understand(text, mind.knowledge, mind.lexicon, question_about("leaf_section", mind.knowledge), {})
    both = heard(mind, text, two(mind, SHAPES), {})
    assert both.intent == one.intent or {both.intent, one.intent} <= {"answer", "describe"}
    assert (both.tally, both.names, both.place, both.spoken) == (one.tally, one.names, one.place, one.spoken)


def test_no_word_is_claimed_twice_for_two_questions(mind: Mind) -> None:
    """Each label of a first question, alone, beside each other question of the plant."""
    characters = [one for one in mind.knowledge.characters.values() if one.derive != "context" and one.part != "place"]
    for first, second in pairwise(characters):
        label = first.words.states[(first.offer or tuple(first.classes))[0]].label
        claims = sorted(heard(mind, label, two(mind, (first.id, second.id)), {}).claims, key=lambda claim: claim.span)
        assert all(one.span[1] <= other.span[0] for one, other in pairwise(claims)), (first.id, second.id, label)
