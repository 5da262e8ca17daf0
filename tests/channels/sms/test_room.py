"""Two questions in one reply by text message: both whole in two segments, or only the first."""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import permutations

import pytest

import chatkey.dialog.turn
from chatkey.channels.sms.channel import SmsWriting
from chatkey.channels.sms.segments import segments
from chatkey.channels.telegram.writing import TelegramWriting
from chatkey.dialog import Conversation, Message, Mind, Turned, step
from chatkey.identify import Asked, Belief, Budget, Step, YewWatch
from chatkey.terms import Place

WRITING = SmsWriting(2)
PAIRS = 400
FIRST = (
    "dunno",
    "soft needles",
    "soft flat needles, two pale lines under, no cones",
    "blorp, 12 flat needles and a fuzzy twig",
)


@pytest.fixture
def asks(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The two characters that are asked about next, whatever was said."""
    pair: list[str] = []

    def next_step(
        belief: Belief, asked: Sequence[Asked], watch: YewWatch, place: Place | None, budget: Budget, month: int | None
    ) -> Step:
        return Step("character", pair[0], also=pair[1])

    monkeypatch.setattr(chatkey.dialog.turn, "next_step", next_step)
    return pair


def by_text(mind: Mind, state: Conversation, text: str) -> tuple[Turned, str]:
    """What came of a message, and the text that goes out."""
    turned = step(mind, state, Message(text, place=Place("MI"), room=WRITING.room))
    return turned, WRITING.fit(mind, turned.reply.blocks, turned.reply.ask)[0]


def keys_said(turned: Turned) -> list[str]:
    ask = turned.view["ask"]
    parts = [ask, ask["also"]] if ask["also"] else [ask]
    return [f"({choice['key']}) {choice['label']}" for part in parts for choice in part["choices"]]


@pytest.mark.parametrize("text", FIRST)
@pytest.mark.parametrize("is_first", [True, False])
def test_a_question_that_is_put_goes_out_whole(mind: Mind, asks: list[str], text: str, is_first: bool) -> None:
    state = Conversation() if is_first else Conversation(said={"caution:first_touch": 1})
    names = [name for name, one in mind.knowledge.characters.items() if one.derive != "context"]
    seen = set()
    for pair in random.Random(7).sample(list(permutations(names, 2)), PAIRS // len(FIRST) // 2):
        asks[:] = pair
        turned, said = by_text(mind, state, text)
        assert segments(said) <= 2
        assert [one for one in keys_said(turned) if one not in said] == [], pair
        is_both = turned.view["ask"]["also"] is not None
        assert ("Reply like 1a 2b" in said) is is_both
        seen.add(is_both)
    assert False in seen
    assert True in seen or len(text) > 20  # much that was said needs the room


def test_both_go_out_where_they_fit_and_can_be_answered(mind: Mind, asks: list[str]) -> None:
    asks[:] = ["leaf_rolls", "bands_below"]
    turned, said = by_text(mind, Conversation(said={"caution:first_touch": 1}), "dunno")
    assert said.endswith("(2d) can't tell\nReply like 1a 2b.") or said.endswith("or in your own words.")
    claims = by_text(mind, turned.conversation, "1b 2a")[0].conversation.tree.claims
    assert [(one.character, one.states) for one in claims] == [
        ("leaf_rolls", ("flat",)),
        ("bands_below", ("two_lines",)),
    ]


@pytest.mark.parametrize(("most", "room"), [(1, 160), (2, 306), (3, 459), (4, 612)])
def test_the_room_is_that_of_its_segments(most: int, room: int) -> None:
    """3GPP TS 23.040: 160 letters alone, 153 in each part of a longer one."""
    assert SmsWriting(most).room == room
    assert (segments("a" * room), segments("a" * (room + 1))) == (most, most + 1)


def test_a_chat_has_room_enough() -> None:
    assert TelegramWriting().room is None
