"""Several people in one chat: names, silence, threads, and a walk without names."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field

import pytest

from chatkey.dialog import Conversation, Message, Mind, Turned, from_json, step, to_json
from chatkey.dialog.crew import LONGEST_NAME, clean_name
from chatkey.terms import INTENTS
from tests.walking import MESSAGES, talks_of_all_kinds

CHATTER = ("ok", "lol", "nice one", "haha", "thanks", "hey ben", "where did you park", "you are useless", "blorf zzkt")
PHONES = {"ana": "+19065550101", "ben": "+19065550102", "cleo": "+19065550103"}


@dataclass
class Crew:
    """A group chat in memory."""

    mind: Mind
    conversation: Conversation = field(default_factory=Conversation)

    def say(self, who: str, text: str, tree: int | None = None, name: str | None = None) -> Turned:
        """One message; the id is a phone number, the name the given one."""
        name = who.title() if name is None else name
        reader = PHONES.get(who, who)
        turned = step(self.mind, self.conversation, Message(text, reader, name=name, crew=True, tree=tree))
        self.conversation = turned.conversation
        return turned


@pytest.fixture
def crew(mind: Mind) -> Crew:
    return Crew(mind)


def test_what_was_taken_in_is_said_by_name_once_several_speak(crew: Crew) -> None:
    assert "Ana:" not in crew.say("ana", "soft needles").reply.text
    assert "Ben: sharp tips." in crew.say("ben", "sharp needles").reply.text
    assert "Ana: two pale lines below." in crew.say("ana", "two white lines under").reply.text


def test_two_of_one_name_are_told_apart(crew: Crew) -> None:
    crew.say("first", "soft needles", name="Ana")
    crew.say("second", "flat needles", name="Ana")
    crew.say("third", "two white lines under", name="")
    assert list(crew.conversation.readers.values()) == ["Ana", "Ana 2", "reader 3"]


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("  Ana\nMaria ", "Ana Maria"),
        ("A\u202ena\x00", "Ana"),
        ("x" * 90, "x" * LONGEST_NAME),
        ("\u200b", ""),
        ("Noémie", "Noémie"),
    ],
)
def test_a_name_is_shown_on_one_line_and_short(given: str, shown: str) -> None:
    assert clean_name(given) == shown


@pytest.mark.parametrize("text", CHATTER)
def test_talk_among_the_crew_gets_no_reply(crew: Crew, text: str) -> None:
    crew.say("ana", "soft flat needles, MI")
    before = crew.conversation
    turned = crew.say("ben", text)
    assert turned.reply.blocks == ()
    assert turned.reply.ask is None
    assert turned.conversation.pending == before.pending
    assert turned.conversation.state == before.state
    assert PHONES["ben"] not in turned.conversation.readers
    assert turned.conversation.unknown == ()


@pytest.mark.parametrize(
    "text", ["why", "help", "list", "what is this tree", "is it a hemlock", "can i eat it", "next"]
)
def test_a_question_to_us_gets_a_reply_in_a_crew(crew: Crew, text: str) -> None:
    crew.say("ana", "soft flat needles, MI")
    assert crew.say("ben", text).reply.text


def test_a_bare_answer_to_a_question_that_waits_is_taken(crew: Crew) -> None:
    asked = crew.say("ana", "soft flat needles, MI").reply.ask
    assert asked is not None
    assert crew.say("ben", "2").conversation.tree.claims[-1].character == asked.character
    assert crew.say("ben", "no idea").reply.text


def test_a_crew_that_said_stop_is_left_alone_till_it_greets(crew: Crew) -> None:
    assert crew.say("ana", "stop").reply.text
    assert crew.say("ben", "soft needles").reply.blocks == ()
    assert crew.say("ben", "lol").reply.blocks == ()
    assert "HELLO" in crew.say("ben", "list").reply.text
    assert crew.say("ben", "my dog ate some").reply.text
    assert crew.say("ben", "hello").reply.text


@pytest.mark.parametrize("text", [*CHATTER, *MESSAGES.values()])
def test_alone_every_message_gets_a_reply(mind: Mind, text: str) -> None:
    for name in ("", "Ana"):
        assert step(mind, Conversation(), Message(text, name=name)).reply.text
        told = step(mind, Conversation(), Message("soft flat needles", name=name)).conversation
        assert step(mind, told, Message(text, name=name)).reply.text


def test_in_a_crew_no_text_raises_and_a_silent_turn_changes_no_tree(mind: Mind) -> None:
    for walk in talks_of_all_kinds(mind, 10, seed=5):
        crew = Crew(mind)
        for number, text in enumerate(walk.said):
            before = crew.conversation
            turned = crew.say(("ana", "ben", "cleo")[number % 3], text)
            if not turned.reply.blocks:
                assert turned.conversation.trees == before.trees
            assert from_json(json.loads(json.dumps(to_json(turned.conversation)))) == turned.conversation


def test_every_intent_is_met_in_a_crew_without_an_error(crew: Crew) -> None:
    for intent in INTENTS:
        crew.say("ana", MESSAGES.get(intent, "1"))


def test_a_message_in_the_thread_of_a_tree_is_about_that_tree_for_this_turn(crew: Crew) -> None:
    crew.say("ana", "soft flat needles, MI")
    waits = crew.conversation.pending
    crew.say("ana", "next tree. needles in bundles of five")
    asked = crew.conversation.pending
    turned = crew.say("ben", "two white lines under", tree=1)
    assert turned.view["tree"] == 1
    assert crew.conversation.current == 2
    assert crew.conversation.pending == asked != waits
    assert [claim.reader for claim in crew.conversation.tree_of(1).claims][-1] == PHONES["ben"]


def test_a_question_waits_in_the_thread_of_its_tree(crew: Crew) -> None:
    asked = crew.say("ana", "soft flat needles, MI").reply.ask
    assert asked is not None
    crew.say("ana", "next tree")
    turned = crew.say("ben", "1", tree=1)
    assert turned.conversation.tree_of(1).claims[-1].character == asked.character


def test_a_tree_that_does_not_exist_is_the_one_in_hand(crew: Crew) -> None:
    assert crew.say("ana", "soft flat needles", tree=7).view["tree"] == 1


def test_a_new_tree_begun_in_a_thread_is_the_one_in_hand(crew: Crew) -> None:
    crew.say("ana", "soft needles")
    crew.say("ana", "next tree. sharp needles")
    crew.say("ben", "next tree", tree=1)
    assert crew.conversation.current == 3


def test_erase_takes_one_reader_and_nobody_else(crew: Crew) -> None:
    crew.say("ana", "soft flat needles, MI")
    crew.say("ben", "two white lines under. frondosissima fuzz")
    crew.say("ben", "3 more of the same")
    crew.say("ana", "next tree. sharp needles that roll")
    sharp = crew.conversation.tree_of(2)
    turned = crew.say("ben", "forget me")
    assert {claim.reader for tree in turned.conversation.trees for claim in tree.claims} == {PHONES["ana"]}
    assert "Ben" not in str(to_json(turned.conversation))
    assert PHONES["ben"] not in str(to_json(turned.conversation))
    assert turned.conversation.readers == {PHONES["ana"]: "Ana"}
    assert turned.conversation.tree_of(2).claims == sharp.claims
    assert turned.conversation.tree_of(1).count == 1
    place = turned.conversation.tree_of(1).place
    assert place is not None
    assert (place.code, place.town, place.latitude) == ("MI", "", None)


def test_without_names_neither_names_nor_numbers_are_kept_or_shown(crew: Crew) -> None:
    crew.say("ana", "soft flat needles, MI")
    crew.say("ben", "sharp needles")
    crew.say("ben", "soft needles")
    crew.say("cleo", "no names, there are kids with us")
    turned = crew.say("ana", "two white lines under")
    kept = json.dumps(to_json(crew.conversation))
    assert not re.search(r"Ana|Ben|Cleo|5550", kept)
    assert not re.search(r"Ana|Ben|Cleo|5550", json.dumps(turned.view))
    assert "Reader 1: two pale lines below." in turned.reply.text
    assert set(crew.conversation.readers.values()) == {"reader 1", "reader 2", "reader 3"}


def test_without_names_readers_stay_apart_and_can_take_back_and_be_forgotten(crew: Crew) -> None:
    crew.say("ana", "soft flat needles, MI")
    crew.say("ana", "no names")
    crew.say("ben", "two white lines under")
    crew.say("ana", "undo")
    assert [claim.character for claim in crew.conversation.tree.claims] == ["bands_below"]
    crew.say("ben", "forget me")
    assert crew.conversation.tree.claims == ()


def test_a_stored_state_of_before_the_crew_loads_and_goes_on_in_one(mind: Mind, crew: Crew) -> None:
    crew.say("ana", "soft flat needles, MI")
    data = to_json(crew.conversation)
    for name in ("readers", "nameless", "walk"):
        del data[name]
    for tree in data["trees"]:
        for name in ("tallies", "looks", "tag", "plot", "waits"):
            del tree[name]
    old = from_json(json.loads(json.dumps(data)))
    assert old.readers == {}
    assert step(mind, old, Message("two white lines under", "ben", name="Ben", crew=True)).reply.text
