"""Whole messages, alone and as answers."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from labelled import Heard, Message, messages, score
from measure import hearing

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.terms import INTENTS, Claim
from chatkey.understand import Pending, Understanding, understand

MIND = open_mind()
ROLLS = Pending("character", "leaf_rolls", (("1", "rolls"), ("2", "flat"), ("3", "cant_tell")), "rolls")
COUNT = Pending(
    "character",
    "needles_per_bundle",
    (("2", "two"), ("3", "three"), ("5", "five"), ("9", "none_of_these"), ("0", "cant_tell")),
)


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


# Floors under what was measured when this was written: a fall is a fault. `report` is what was never looked at.
@pytest.mark.parametrize(
    ("part", "f1", "wrong", "intents"), [("tune", 0.93, 0.075, 0.94), ("report", 0.88, 0.11, 0.91)]
)
def test_the_labelled_messages_are_understood_as_well_as_before(
    mind: Mind, part: str, f1: float, wrong: float, intents: float
) -> None:
    found = score(messages(part), hearing(mind), mind.knowledge)
    assert found.f1 >= f1
    assert found.wrong <= wrong
    assert found.intents >= intents
    assert found.polarity >= 0.99


def test_a_wrong_claim_a_missed_one_and_a_turned_one_are_counted(mind: Mind) -> None:
    """The score itself: what it must find wrong."""
    said = Message(
        "flat, not sharp", claims=("leaf_section=flat", "!leaf_tip=sharp", "twig_hair=hairy"), intents=("describe",)
    )
    heard = Heard(
        (Claim("leaf_section", ("flat",)), Claim("leaf_tip", ("sharp",)), Claim("bark", ("smooth",))), ("why",)
    )
    found = score([said], lambda _: heard, mind.knowledge)
    assert (found.wanted, found.found, found.right) == (3, 3, 1)
    assert (found.polarity_seen, found.polarity_right) == (2, 1)
    assert (found.with_wrong_claim, found.intents_right) == (1, 0)


@pytest.mark.parametrize("part", ["tune", "report", "whole:tune", "whole:report"])
def test_every_label_names_what_the_knowledge_has(mind: Mind, part: str) -> None:
    for message in messages(part):
        assert not message.asked or message.asked == "place" or message.asked in mind.knowledge.characters
        assert set(message.intents) <= set(INTENTS)
        for label in (*message.claims, *(one for one in message.may if "=" in one)):
            for option in label.split(" | "):
                name, _, value = option.strip().strip("!~").partition("=")
                character = mind.knowledge.characters[name]
                assert value in {*character.states, *character.classes, "none_of_these"} or "-" in value


def test_the_sets_are_as_large_as_they_should_be_and_cover_every_character(mind: Mind) -> None:
    assert len(messages("tune")) >= 400
    assert len(messages("report")) >= 200
    for part in ("tune", "report"):
        named = {
            option.strip("!~ ").partition("=")[0] for m in messages(part) for c in m.claims for option in c.split("|")
        }
        assert named == set(mind.knowledge.characters)


def test_a_word_that_could_have_been_a_fact_and_fitted_nothing_is_told(mind: Mind) -> None:
    heard = understand("long skinny cone 6 in, kinda sticky", mind.knowledge, mind.lexicon)
    assert [claim.character for claim in heard.claims] == ["cone_length"]
    assert heard.not_understood == ("sticky",)
    assert understand("flat needles, soft", mind.knowledge, mind.lexicon).not_understood == ()


@pytest.mark.parametrize("text", ["cones under an inch", "cone an inch long", "small cones hang down"])
def test_a_cone_is_no_bud_though_the_bud_is_asked_for(mind: Mind, text: str) -> None:
    bud = Pending("character", "bud_shape", (("1", "round_sticky"), ("2", "long_sharp"), ("3", "cant_tell")))
    heard = understand(text, mind.knowledge, mind.lexicon, bud)
    assert "bud_shape" not in [claim.character for claim in heard.claims]
    assert heard.claims
