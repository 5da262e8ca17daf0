"""What a steward reads of a tree: plain JSON, with who said what and what is open."""

from __future__ import annotations

import json

import pytest

from chatkey.dialog import Conversation, Desk, Message, Mind, gathered, step
from chatkey.terms import Place
from tests.walking import walks

DESK = Desk("the Larkwater group", 3)


def after(mind: Mind, *said: tuple[str, str]) -> Conversation:
    conversation = Conversation()
    for reader, text in said:
        message = Message(text, reader, Place("MI", county="Marquette"), desk=DESK)
        conversation = step(mind, conversation, message).conversation
    return conversation


def test_a_steward_sees_who_said_what_and_what_is_open(mind: Mind) -> None:
    conversation = after(
        mind,
        ("ana", "maybe soft, flat needles"),
        ("ana", "can't tell"),
        ("ben", "needles sharp. and flumpy bits of zorb on it"),
        ("ben", "is it ok to eat it"),
        ("ben", "can a person look at it"),
    )
    found = gathered(mind, conversation, 1)
    assert json.loads(json.dumps(found)) == found
    assert found["tree"] == 1
    assert (found["place"]["words"], found["place"]["code"], found["place"]["county"]) == (
        "Michigan",
        "MI",
        "Marquette",
    )
    assert {(row["words"], row["reader"]) for row in found["claims"]} >= {
        ("flat needles", "ana"),
        ("sharp tips", "ben"),
    }
    assert any(row["hedged"] and row["hedge"] > 0 for row in found["claims"])
    assert len(found["candidates"]) == 5
    assert all(0 <= row["probability"] <= 1 for row in found["candidates"])
    assert found["something_else"] > 0
    assert len(found["not_answered"]) == 1
    assert "eating" in [row["id"] for row in found["cautions"]]
    assert found["handed"] == ["unsafe", "asked"]
    assert found["pending"]["question"]
    assert any(row["reader"] == "ben" for row in found["not_understood"])


def test_of_a_tree_of_which_nothing_was_told_nothing_is_believed(mind: Mind) -> None:
    found = gathered(mind, after(mind, ("ana", "can a person look at it")), 1)
    assert (found["claims"], found["candidates"], found["answer"]) == ([], [], None)
    assert found["handed"] == ["asked"]


def test_another_tree_than_the_one_in_hand_can_be_gathered(mind: Mind) -> None:
    conversation = after(mind, ("ana", "soft flat needles. zorbly bark"), ("ana", "next"), ("ana", "needles in fives"))
    first, second = (gathered(mind, conversation, number) for number in (1, 2))
    assert first["pending"] is None
    assert second["pending"] is not None
    assert second["not_understood"] == []
    assert first["candidates"] != second["candidates"]


@pytest.mark.parametrize("seed", range(3))
def test_what_is_gathered_of_any_talk_is_plain_json_and_changes_nothing(mind: Mind, seed: int) -> None:
    for walk in walks(mind, 4, seed=seed):
        conversation = walk.last.conversation
        found = gathered(mind, conversation, conversation.current)
        assert json.loads(json.dumps(found)) == found
        assert found["answer"] is None or found["answer"]["id"] == walk.last.view["answer"]["id"]
