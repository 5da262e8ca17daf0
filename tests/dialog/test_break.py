"""Later is fine: after a long break the finder is told where they were; a place is kept only roughly."""

from __future__ import annotations

import pytest

from chatkey.dialog import Conversation, Message, Mind, Turned, step
from chatkey.terms import Place

LONG, SHORT = 21 * 24.0, 5.9


def after(mind: Mind, *texts: str) -> Conversation:
    conversation = Conversation()
    for text in texts:
        conversation = step(mind, conversation, Message(text, place=Place("MI"))).conversation
    return conversation


def back(mind: Mind, conversation: Conversation, text: str, hours: float = LONG) -> Turned:
    return step(mind, conversation, Message(text, idle_hours=hours))


def test_after_a_long_break_the_reply_begins_with_where_we_were_and_a_bare_answer_still_counts(mind: Mind) -> None:
    before = after(mind, "sharp needles", "next", "soft flat needles")
    turned = back(mind, before, "2")
    assert turned.reply.blocks[0].text == "We were at tree 2: soft needles, flat needles, Michigan."
    assert turned.reply.blocks[0].kind == "took_in"
    assert before.pending is not None
    assert turned.conversation.tree.claims[-1].character == before.pending.character
    assert "We were at" not in back(mind, turned.conversation, "1", hours=0.1).reply.text


def test_with_one_tree_no_number_is_said(mind: Mind) -> None:
    assert back(mind, after(mind, "soft flat needles"), "hello").reply.text.startswith("You had told me: soft needles")


def test_at_most_three_facts_are_recalled(mind: Mind) -> None:
    text = back(mind, after(mind, "soft flat needles, two white lines under, rough twig, cones hang"), "1").reply.text
    assert text.splitlines()[0].endswith("two pale lines below, Michigan and more.")


@pytest.mark.parametrize("text", ["stop", "forget me", "start over", "next", "list", "my kid ate a berry"])
def test_who_leaves_the_tree_or_calls_for_help_is_not_reminded_of_it(mind: Mind, text: str) -> None:
    assert "told me:" not in back(mind, after(mind, "soft flat needles"), text).reply.text


def test_after_a_short_break_nothing_is_recalled(mind: Mind) -> None:
    assert "told me" not in back(mind, after(mind, "soft flat needles"), "2", SHORT).reply.text


def test_of_a_tree_of_which_nothing_was_said_nothing_is_recalled(mind: Mind) -> None:
    assert "told me" not in back(mind, after(mind, "hello"), "soft needles").reply.text


def test_a_stopped_talk_stays_still(mind: Mind) -> None:
    assert "told me" not in back(mind, after(mind, "soft flat needles", "stop"), "2").reply.text


@pytest.mark.parametrize("text", ["soft needles at 46.54678, -87.39543", "soft needles"])
def test_a_point_is_kept_to_about_a_kilometre(mind: Mind, text: str) -> None:
    known = Place("MI", latitude=46.54678, longitude=-87.39543)
    place = step(mind, Conversation(), Message(text, place=known)).conversation.tree.place
    assert place is not None
    assert (place.latitude, place.longitude) == (46.55, -87.4)
