"""With people at a desk: what goes to them, once for each reason, and what the finder is told of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chatkey.dialog import Conversation, Desk, HandOver, Message, Mind, Turned, Verdict, step, told
from chatkey.knowledge.model import Card, Rule
from chatkey.terms import Place
from tests.walking import talks_of_all_kinds

DESK = Desk("the Larkwater group", 3)
MICHIGAN = Place("MI")
HEMLOCK = "flat needles on tiny stalks, rough brown twig, two white lines under, cones under an inch hang at the tips"
UNSURE = "tall tree, planted. tiny scales, soft, round tips, blue berries, smooth bark, smells of orange"


def talk(
    mind: Mind, *texts: str, desk: Desk | None = DESK, place: Place | None = MICHIGAN, start: Conversation | None = None
) -> list[Turned]:
    """The turns of some messages to a desk."""
    turns, conversation = [], start or Conversation()
    for text in texts:
        turns.append(step(mind, conversation, Message(text, place=place, desk=desk)))
        conversation = turns[-1].conversation
    return turns


def to_the_end(mind: Mind, text: str, desk: Desk | None = DESK) -> list[Turned]:
    """A talk in which nothing but the first message is known."""
    turns = talk(mind, text, desk=desk)
    while turns[-1].reply.ask is not None:
        turns += talk(mind, "can't tell", desk=desk, start=turns[-1].conversation)
    return turns


def test_without_a_desk_nothing_is_handed_over(mind: Mind) -> None:
    for walk in talks_of_all_kinds(mind, 10, seed=21):
        assert [turned.handed for turned in walk.turns if turned.handed] == []


def test_who_asks_for_a_person_hears_what_goes_where_and_how_long_it_takes(mind: Mind) -> None:
    last = talk(mind, "soft flat needles", "can a person look at it")[-1]
    assert last.handed == (HandOver(1, "asked"),)
    assert last.conversation.state == "with_person"
    for words in ("soft needles, flat needles", "Michigan", "the Larkwater group", "within 3 days", "any time"):
        assert words in last.reply.text


def test_of_coordinates_the_finder_hears_how_closely_they_are_passed_on(mind: Mind) -> None:
    place = Place("MI", latitude=46.54321, longitude=-87.39876)
    last = talk(mind, "soft flat needles", "can a person look at it", place=place)[-1]
    assert "about 1 km" in last.reply.text


def test_a_town_that_was_told_is_said_to_be_passed_on(mind: Mind) -> None:
    last = talk(mind, "soft flat needles", "can a person look at it", place=Place("MI", town="Marquette"))[-1]
    assert "Marquette, Michigan" in last.reply.text


@pytest.mark.parametrize(("days", "words"), [(1, "within a day"), (2, "within 2 days"), (7, "within a week")])
def test_how_long_it_takes_is_said_as_people_say_it(mind: Mind, days: int, words: str) -> None:
    last = talk(mind, "can a person look at it", desk=replace(DESK, days=days))[-1]
    assert f"{words} as a rule" in last.reply.text


def test_with_nothing_told_the_words_are_passed_on_and_it_is_said_what_helps(mind: Mind) -> None:
    last = talk(mind, "can a person look at it")[-1]
    assert last.handed == (HandOver(1, "asked"),)
    assert "soft or sharp" in last.reply.text


def test_who_asks_again_hears_in_other_words_that_it_is_with_them(mind: Mind) -> None:
    turns = talk(mind, "soft flat needles", *["can a person look at it"] * 4)
    assert [len(turned.handed) for turned in turns] == [0, 1, 0, 0, 0]
    replies = [turned.reply.text for turned in turns[1:]]
    assert len(set(replies)) == 4
    assert replies[1].startswith("It is with them already")


def test_another_tree_is_handed_over_too(mind: Mind) -> None:
    turns = talk(
        mind, "soft flat needles", "can a person look at it", "next", "sharp needles", "can a person look at it"
    )
    assert turns[-1].handed == (HandOver(2, "asked"),)


def test_the_question_waits_while_a_person_looks(mind: Mind) -> None:
    first, asked, later = talk(mind, "soft flat needles", "can a person look at it", "2")
    assert first.reply.ask is not None
    assert asked.conversation.pending is not None
    assert later.conversation.tree.claims[-1].character == first.reply.ask.character


def test_an_unsafe_question_is_seen_by_a_person_and_handed_once(mind: Mind) -> None:
    turns = talk(mind, "soft flat needles", "is it ok to eat the berries", "can i burn it")
    assert turns[1].handed == (HandOver(1, "unsafe", "is it ok to eat the berries"),)
    assert "A steward sees this too." in turns[1].reply.text
    assert turns[1].reply.blocks[0].kind == "caution"
    assert turns[2].handed == ()


@pytest.mark.parametrize("before", [(), ("is it ok to eat the berries",)])
def test_an_emergency_is_handed_over_without_a_word_of_it(mind: Mind, before: tuple[str, ...]) -> None:
    last = talk(mind, "soft flat needles", *before, "my kid ate a berry")[-1]
    assert last.handed == (HandOver(1, "unsafe", "my kid ate a berry"),)
    assert "steward" not in last.reply.text
    assert "days" not in last.reply.text


def test_who_asks_for_a_person_after_an_emergency_is_told_to_call_first(mind: Mind) -> None:
    last = talk(mind, "my kid ate a berry", "let me talk to a person")[-1]
    assert last.handed == (HandOver(1, "asked"),)
    assert [block.kind for block in last.reply.blocks] == ["caution"]
    assert "1-800-222-1222" in last.reply.text


def test_a_tree_that_could_not_be_named_is_passed_on(mind: Mind) -> None:
    turns = to_the_end(mind, UNSURE)
    assert [turned.handed for turned in turns if turned.handed] == [(HandOver(1, "unsure"),)]
    last = turns[-1]
    assert last.handed
    assert "within 3 days as a rule" in last.reply.text
    again = talk(mind, "it is green all winter", start=last.conversation)[-1]
    assert again.handed == ()


def test_a_tree_that_was_named_is_not_passed_on(mind: Mind) -> None:
    last = to_the_end(mind, HEMLOCK)[-1]
    assert last.view["answer"]["id"] == "tsuga_canadensis"
    assert last.handed == ()


def test_an_open_end_without_a_desk_offers_a_person(mind: Mind) -> None:
    last = to_the_end(mind, UNSURE, desk=None)[-1]
    assert "as a rule" not in last.reply.text
    assert (
        "PERSON" in to_the_end(mind, "square needles, bundles of two, gray bark, red berries", desk=None)[-1].reply.text
    )


RULES = [
    (Rule("any of them", places=frozenset({"MI"})), True),
    (Rule("hemlock", plants=frozenset({"tsuga_canadensis", "tsuga_caroliniana"})), True),
    (Rule("under rules", plants=frozenset({"tsuga_canadensis"}), listed=frozenset({"quarantine"})), True),
    (Rule("rare", plants=frozenset({"tsuga_canadensis"}), listed=frozenset({"rare"})), False),
    (Rule("pines", plants=frozenset({"pinus_strobus"})), False),
    (Rule("in Ohio", plants=frozenset({"tsuga_canadensis"}), places=frozenset({"OH"})), False),
    (Rule("by county", counties=frozenset({"Marquette"})), True),
    (Rule("by county", counties=frozenset({"Alger"})), False),
]


@pytest.mark.parametrize(("rule", "holds"), RULES)
def test_a_rule_of_the_group_holds_where_each_of_its_parts_does(mind: Mind, rule: Rule, holds: bool) -> None:
    ruled = replace(mind, card=Card("the Larkwater group", rules=(rule,)))
    turns = talk(ruled, HEMLOCK, "how sure", place=Place("MI", county="Marquette"))
    assert turns[0].handed == ((HandOver(1, "rule", rule.name),) if holds else ())
    assert ("the Larkwater group" in turns[0].reply.text) == holds
    assert turns[1].handed == ()


def test_after_an_answer_one_may_ask_a_person_anew(mind: Mind) -> None:
    first = talk(mind, "soft flat needles", "can a person look at it")[-1]
    answered = told(mind, first.conversation, 1, Verdict("none", text="Is there a cone?"))
    assert talk(mind, "can a person look at it", start=answered.conversation)[-1].handed == (HandOver(1, "asked"),)


def test_forget_me_closes_what_was_handed_over(mind: Mind) -> None:
    last = talk(mind, "soft flat needles", "can a person look at it", "forget me")[-1]
    assert last.conversation.tree.handed == ()
