"""Where readers differ: one more look at just that point, once, and what settles it."""

from __future__ import annotations

import pytest

from chatkey.dialog import Mind
from chatkey.dialog.looks import differences
from chatkey.terms import Claim, Quantity
from tests.dialog.test_crew import Crew


def said(reader: str, character: str, *states: str, negated: bool = False, n: int = 0) -> Claim:
    return Claim(character, states, negated=negated, reader=reader, message=f"{reader}{n}", sequence=n)


def long(reader: str, low: float, high: float, n: int = 0) -> Claim:
    return Claim("needle_length", quantity=Quantity(low, high), reader=reader, message=f"{reader}{n}", sequence=n)


@pytest.fixture
def crew(mind: Mind) -> Crew:
    """A crew of which Ana finds that the needles roll, and Ben that they are flat."""
    crew = Crew(mind)
    crew.say("ana", "MI. square needles, sharp")
    crew.say("ben", "the needles are flat")
    return crew


def differ(mind: Mind, *claims: Claim) -> list[tuple[str, tuple[str, ...]]]:
    return [(one.character, one.readers) for one in differences(mind.knowledge, mind.lexicon, claims)]


def test_two_states_of_one_character_are_a_difference(mind: Mind) -> None:
    claims = said("ana", "leaf_tip", "sharp"), said("ben", "leaf_tip", "blunt", n=1)
    assert differ(mind, *claims) == [("leaf_tip", ("ana", "ben"))]


def test_a_denial_of_what_another_says_is_a_difference(mind: Mind) -> None:
    claims = said("ana", "twig_hair", "hairy"), said("ben", "twig_hair", "hairy", negated=True, n=1)
    assert differ(mind, *claims) == [("twig_hair", ("ana", "ben"))]


@pytest.mark.parametrize(
    "claims",
    [
        (said("ana", "leaf_tip", "sharp"), said("ana", "leaf_tip", "blunt", n=1)),
        (said("ana", "leaf_tip", "sharp"), said("ben", "leaf_tip", "sharp", n=1)),
        (said("ana", "leaf_tip", "sharp"), said("ben", "leaf_tip", "blunt", negated=True, n=1)),
        (said("ana", "leaf_tip", "sharp"), said("ben", "leaf_section", "flat", n=1)),
        (said("ana", "cones_present", "present"), said("ben", "cones_present", "present", negated=True, n=1)),
        (long("ana", 20, 25), long("ben", 30, 35, n=1)),
    ],
    ids=["one reader", "the same", "a denial of the other", "two characters", "cones not found", "about as long"],
)
def test_what_can_be_seen_of_one_tree_is_no_difference(mind: Mind, claims: tuple[Claim, ...]) -> None:
    assert differ(mind, *claims) == []


def test_lengths_far_apart_are_a_difference(mind: Mind) -> None:
    assert differ(mind, long("ana", 20, 25), long("ben", 90, 100, n=1)) == [("needle_length", ("ana", "ben"))]


def test_a_word_that_may_be_said_of_two_characters_differs_from_both(mind: Mind) -> None:
    crew = Crew(mind)
    crew.say("ana", "MI. sharp needles, twig smooth")
    assert "Ana says hairless twig, Ben says hairy twig" in crew.say("ben", "the twig is hairy").reply.text


def test_who_differs_is_asked_by_name_for_one_more_look_in_other_words(crew: Crew, mind: Mind) -> None:
    pending = crew.conversation.pending
    assert pending is not None
    assert (pending.kind, pending.character) == ("reask", "leaf_section")
    assert crew.conversation.state == "asking.again"
    (look,) = crew.conversation.tree.looks
    assert (look.character, look.settled) == ("leaf_section", "")
    assert len(look.readers) == 2


def test_the_reply_names_both_sides_and_asks_once(mind: Mind) -> None:
    crew = Crew(mind)
    crew.say("ana", "MI. square needles, sharp")
    reply = crew.say("ben", "the needles are flat").reply
    words = mind.knowledge.characters["leaf_section"].words
    assert reply.ask is not None
    assert words.again in reply.ask.question
    assert "Ana says square needles, Ben says flat needles" in reply.text
    assert "Ana and Ben" in reply.text
    assert "Ben: flat" not in reply.text


def test_a_changed_mind_settles_it(crew: Crew) -> None:
    turned = crew.say("ben", "four sided, they are square")
    (look,) = turned.conversation.tree.looks
    assert (look.settled, look.by[-1]) == ("changed", "2")
    assert "settles" in turned.reply.text or "go by that" in turned.reply.text


def test_who_stands_by_it_is_thanked_with_a_wait_for_the_other(crew: Crew) -> None:
    turned = crew.say("ben", "flat needles")
    assert "Ana" in turned.reply.text
    assert turned.conversation.pending is not None
    assert turned.conversation.pending.character == "leaf_section"
    assert turned.conversation.tree.looks[0].settled == ""


def test_if_both_stand_by_it_it_is_left_open_and_never_asked_again(crew: Crew) -> None:
    crew.say("ben", "flat needles")
    turned = crew.say("ana", "square needles")
    assert turned.conversation.tree.looks[0].settled == "open"
    assert "Both count." in turned.reply.text
    sections = [claim for claim in turned.conversation.tree.claims if claim.character == "leaf_section"]
    assert {claim.reader for claim in sections} == {sections[0].reader, sections[1].reader}
    later = [crew.say(who, "the needles are flat") for who in ("ben", "cleo", "ben")]
    assert all("Both count." not in one.reply.text for one in later)
    assert all(one.reply.ask is None or one.reply.ask.character != "leaf_section" for one in later)


def test_a_third_word_settles_it(crew: Crew) -> None:
    turned = crew.say("cleo", "four sided, they are square")
    (look,) = turned.conversation.tree.looks
    assert (look.settled, look.by[-1]) == ("third", "3")


def test_a_choice_by_number_and_can_t_tell_are_looks_too(crew: Crew) -> None:
    pending = crew.conversation.pending
    assert pending is not None
    flat = next(key for key, state in pending.choices if state == "flat")
    crew.say("ben", flat)
    turned = crew.say("ana", "can't tell")
    assert turned.conversation.tree.looks[0].settled == "open"


def test_who_goes_on_with_something_else_is_not_held_up(crew: Crew) -> None:
    turned = crew.say("ana", "two white lines under")
    assert turned.reply.ask is None or turned.reply.ask.character != "leaf_section"
    assert turned.conversation.tree.looks[0].settled == ""
    assert crew.say("ben", "four sided, they are square").conversation.tree.looks[0].settled == "changed"


def test_one_reader_alone_is_never_asked_to_agree_with_himself(mind: Mind) -> None:
    crew = Crew(mind)
    for text in ("MI. square needles, sharp", "flat needles", "square needles"):
        crew.say("ana", text)
    assert crew.conversation.tree.looks == ()
