"""Any text at all has a clear answer, and the conversation goes on where it stood."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.channels.base import Talks
from chatkey.dialog import Mind
from tests.walking import Walk

NOTHING_SAID = {
    "empty": "",
    "blank": " \t \n ",
    "control characters": "\x00\x01\x07\x1b[31m\x7f",
    "emoji only": "🌲🌲🌲",
    "emoji joined": "👩🏽\u200d🌾👨\u200d👩\u200d👧",
    "another alphabet": "это мягкое дерево с шишками",
    "letters without case": "这是什么树",
    "right to left": "שלום עץ",
    "right-to-left marks": "\u202e\u200f\u200e\u2066\u2069",
    "half surrogates": "\ud83c \udf32",
    "half surrogate in a word": "blorf\ud83czork",
    "no characters of Unicode": "\ufffe\uffff\U0010ffff",
    "a very long word": "w" * 3000,
    "a very long word of two": "zz-kt" * 800,
    "10,000 characters": "blorf " * 1667,
    "10,000 emoji": "🌲" * 10_000,
    "10,000 line ends": "\n" * 10_000,
    "only punctuation": "!?!... ;;; ((()))",
    "one mark": ".",
    "zalgo": "h̷̢̧͎͓̪̃ḛ̸̀l" * 50,
    "a query for a database": "'; DROP TABLE claims; --",
    "a template": "{facts} {0} {place!r} %s %(x)s ${y}",
    "markup": "<script>alert(1)</script> [bold] `x`",
    "YAML": "wompf: &zzkt [*zzkt, *zzkt]",
}
NUMBERS = {"a number": "77", "many numbers": "12 45 99 3.75 1e308", "a huge number": "9" * 400}
LONGEST_REPLY = 1500  # letters: nothing that was sent comes back whole


@pytest.mark.parametrize("text", NOTHING_SAID.values(), ids=NOTHING_SAID)
def test_bad_input_has_a_short_answer_and_the_question_that_waits_stays(mind: Mind, text: str) -> None:
    walk = Walk(mind)
    asked = walk.say("MI. soft flat needles")
    turned = walk.say(text)
    assert turned.reply.text.strip()
    assert len(turned.reply.text) < LONGEST_REPLY
    assert turned.conversation.pending == asked.conversation.pending
    assert turned.view["ask"]["character"] == asked.view["ask"]["character"]
    assert turned.view["ask"]["choices"] == asked.view["ask"]["choices"]
    assert turned.conversation.tree == asked.conversation.tree
    assert walk.say("1").conversation.tree.claims[-1].character == asked.view["ask"]["character"]


@pytest.mark.parametrize("text", NOTHING_SAID.values(), ids=NOTHING_SAID)
def test_bad_input_as_a_first_message_says_what_may_be_said(mind: Mind, text: str) -> None:
    turned = Talks(mind).say(text)
    assert turned.conversation.state == "listening"
    assert turned.conversation.tree.claims == ()
    told = turned.reply.text.lower()
    assert any(word in told for word in ("feel", "leaves", "leaf", "in hand", "english")), turned.reply.text
    assert len(turned.reply.text) < LONGEST_REPLY


@pytest.mark.parametrize("text", NUMBERS.values(), ids=NUMBERS)
def test_a_number_that_is_no_choice_changes_nothing_and_the_question_stays(mind: Mind, text: str) -> None:
    walk = Walk(mind)
    asked = walk.say("MI. sharp needles that roll, 1 inch long")
    assert asked.view["ask"]["choices"]
    turned = walk.say(text)
    assert turned.conversation.tree.claims == asked.conversation.tree.claims
    assert turned.view["ask"]["character"] == asked.view["ask"]["character"]
    assert turned.reply.text.strip()


@pytest.mark.parametrize("text", ["xyzzy town", "Atlantis", "00000", "999999999", "Larkwater"])
def test_a_place_nobody_knows_is_said_so_and_the_talk_goes_on_without_it(mind: Mind, text: str) -> None:
    walk = Walk(mind)
    walk.say("soft flat needles")
    while walk.state != "asking.place":
        walk.say("1")
    turned = walk.say(text)
    assert any(line.split(".")[0] in turned.reply.text for line in mind.script.lines["place_unknown"])
    assert turned.conversation.tree.place is None
    assert turned.reply.ask is None or turned.reply.ask.kind != "place"


@pytest.mark.parametrize("text", ["", "🌲", "!!!", "это дерево"])
def test_an_empty_word_is_no_place_nobody_knows_and_the_place_is_asked_again(mind: Mind, text: str) -> None:
    walk = Walk(mind)
    walk.say("soft flat needles")
    while walk.state != "asking.place":
        walk.say("1")
    turned = walk.say(text)
    assert turned.reply.ask is not None
    assert turned.reply.ask.kind == "place"


def test_what_is_sense_in_a_long_message_is_read(mind: Mind) -> None:
    turned = Talks(mind).say("soft flat needles. " + "blah " * 3000)
    assert {claim["character"] for claim in turned.view["claims"]} >= {"leaf_stiffness", "leaf_section"}
    assert len(turned.reply.text) < LONGEST_REPLY


def test_the_words_of_a_finder_never_become_gaps_or_lines_of_ours(mind: Mind) -> None:
    turned = Talks(mind).say("soft flat needles, {facts} zzkt{place}")
    assert "Michigan" not in turned.reply.text
    assert "soft" in turned.reply.text


@settings(deadline=None, max_examples=150)
@given(texts=st.lists(st.text(max_size=80), min_size=1, max_size=4))
def test_no_text_raises_and_every_text_has_a_reply(mind: Mind, texts: list[str]) -> None:
    talks = Talks(mind)
    talks.say("soft flat needles")
    for text in texts:
        assert talks.say(text).reply.text.strip()


@settings(deadline=None, max_examples=100)
@given(text=st.text(st.characters(categories=("Cs", "Cc", "Cf", "So", "Mn", "Nd")), max_size=60))
def test_no_odd_characters_raise(mind: Mind, text: str) -> None:
    turned = Talks(mind).say(text)
    assert turned.reply.text.strip()
    turned.reply.text.encode("utf-8")  # half letters are not sent back
