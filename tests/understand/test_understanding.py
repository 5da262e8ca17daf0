"""Whole messages, alone and as answers."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.understand import Pending, Understanding, understand

MIND = open_mind()
ROLLS = Pending("character", "leaf_rolls", (("1", "rolls"), ("2", "flat"), ("3", "cant_tell")))
COUNT = Pending(
    "character",
    "needles_per_bundle",
    (("2", "two"), ("3", "three"), ("5", "five"), ("9", "none_of_these"), ("0", "cant_tell")),
)
SPEC = importlib.util.spec_from_file_location("measure", Path(__file__).parent / "measure.py")
assert SPEC is not None
assert SPEC.loader is not None
measure = importlib.util.module_from_spec(SPEC)
import sys  # noqa: E402

sys.modules["measure"] = measure  # dataclasses look their module up by name
SPEC.loader.exec_module(measure)


def states(understanding: Understanding) -> list[tuple[str, tuple[str, ...]]]:
    return [(claim.character, claim.states) for claim in understanding.claims]


@pytest.mark.parametrize(
    ("text", "state"),
    [
        ("1", "rolls"),
        ("(2)", "flat"),
        ("b", "flat"),
        ("the 2nd one", "flat"),
        ("yes", "rolls"),
        ("nope", "flat"),
        ("it stays flat", "flat"),
    ],
)
def test_a_choice_is_taken_by_number_letter_place_or_word(mind: Mind, text: str, state: str) -> None:
    understood = understand(text, mind.knowledge, mind.lexicon, ROLLS)
    assert states(understood) == [("leaf_rolls", (state,))]
    assert understood.intents == ("answer",)


@pytest.mark.parametrize("text", ["3", "can't tell", "idk", "cant reach", "dunno"])
def test_cant_tell_is_no_claim(mind: Mind, text: str) -> None:
    understood = understand(text, mind.knowledge, mind.lexicon, ROLLS)
    assert understood.claims == ()
    assert understood.intent == "cant_tell"


def test_a_bare_count_is_the_count_and_not_a_place_in_the_list(mind: Mind) -> None:
    assert states(understand("5", mind.knowledge, mind.lexicon, COUNT)) == [("needles_per_bundle", ("five",))]
    assert states(understand("oh 5 in most", mind.knowledge, mind.lexicon, COUNT)) == [
        ("needles_per_bundle", ("five",))
    ]


def test_an_answer_and_a_question_in_one_message_are_both_heard(mind: Mind) -> None:
    understood = understand("2. why do you ask", mind.knowledge, mind.lexicon, ROLLS)
    assert states(understood) == [("leaf_rolls", ("flat",))]
    assert set(understood.intents) == {"answer", "why"}


def test_the_same_word_goes_to_the_part_it_is_said_of(heard: Callable[[str], Understanding]) -> None:
    assert ("twig_hair", ("hairy",)) in states(heard("the needles are soft but the twig is hairy"))
    assert ("bark", ("smooth",)) in states(heard("smooth bark"))


def test_a_plant_name_is_a_guess_and_no_evidence(heard: Callable[[str], Understanding]) -> None:
    understood = heard("is it a hemlock?")
    assert understood.intents == ("guess_name",)
    assert understood.claims == ()
    assert understood.names == (("tsuga",),)


def test_a_strange_word_is_told_and_counted_for_nothing(heard: Callable[[str], Understanding]) -> None:
    understood = heard("soft and glimmery")
    assert states(understood) == [("leaf_stiffness", ("soft",))]
    assert understood.not_understood == ("glimmery",)


@pytest.mark.parametrize(
    ("text", "intent", "subject"),
    [
        ("can my goat have the clippings", "unsafe", "animals"),
        ("my dog ate some", "unsafe", "swallowed"),
        ("can I make tea from it", "unsafe", "eat"),
        ("can i burn it", "unsafe", "burn"),
        ("is it native here", "planting", "native"),
        ("may i plant it", "planting", "advice"),
    ],
)
def test_a_question_of_danger_or_planting_is_heard_with_its_subject(
    heard: Callable[[str], Understanding], text: str, intent: str, subject: str
) -> None:
    understood = heard(text)
    assert understood.intent == intent
    assert subject in understood.subjects


@pytest.mark.parametrize(
    "text", ["the end is blunt", "needles stop halfway up the twig", "deer eat it", "no poison ivy around"]
)
def test_everyday_words_do_not_stop_or_alarm(heard: Callable[[str], Understanding], text: str) -> None:
    assert not set(heard(text).intents) & {"stop", "unsafe", "erase", "person"}


def test_another_alphabet_is_said_to_be_one(heard: Callable[[str], Understanding]) -> None:
    assert not heard("мягкие плоские иглы").spoken


def test_swallowed_leads_whatever_else_is_said(heard: Callable[[str], Understanding]) -> None:
    understood = heard("soft flat needles, and my kid swallowed a berry")
    assert understood.intent == "unsafe"
    assert {"unsafe", "describe"} <= set(understood.intents)


@given(text=st.text(max_size=400))
@settings(max_examples=150, deadline=None)
def test_no_text_raises_and_every_span_is_the_text_it_names(text: str) -> None:
    for claim in understand(text, MIND.knowledge, MIND.lexicon).claims:
        assert text[claim.span[0] : claim.span[1]] == claim.text


# Floors under what was measured when this was written (tune .92 and report .88 by F1): a fall is a fault.
@pytest.mark.parametrize(("part", "f1", "intents"), [("tune", 0.90, 0.95), ("report", 0.85, 0.92)])
def test_the_labelled_messages_are_understood_as_well_as_before(
    mind: Mind, part: str, f1: float, intents: float
) -> None:
    score = measure.measure(mind, part)
    assert score.f1 >= f1
    assert score.intent_right / score.messages >= intents
