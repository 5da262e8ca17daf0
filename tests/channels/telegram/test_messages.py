"""Replies as Telegram shows them: parsed without fault, within the limits, nothing lost, buttons that keep sense."""

from __future__ import annotations

import subprocess
import sys
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from telegram_html import parsed
from telegram_html import units as units_of_utf16

from chatkey.channels.base import ChannelError
from chatkey.channels.telegram.messages import (
    MOST_UNITS,
    Button,
    Outgoing,
    Pressed,
    choice_data,
    choice_rows,
    chosen,
    compose,
    compose_text,
    from_text,
    read_pressed,
    to_text,
    units,
    word_rows,
)
from chatkey.dialog import Ask, Block, Choice, Mind
from chatkey.dialog.reply import BlockKind

CHOICES = (Choice("1", "soft", "soft"), Choice("2", "stiff", "stiff"), Choice("3", "can't tell", "cant_tell"))
ASK = Ask("character", "leaf_stiffness", "How do they feel?", CHOICES)
CAUTION = Block("caution", "Treat it as yew. All of it is poisonous.")

texts = st.text(max_size=300) | st.text("<>&\"'/b;#1lt🌲é \n", max_size=60)
kinds = st.sampled_from(get_args(BlockKind))
blocks = st.lists(st.builds(Block, kinds, texts), max_size=6)
long_blocks = st.lists(st.builds(Block, kinds, st.text("ab<&🌲. ,\n", min_size=1500, max_size=5000)), max_size=3)
keys = st.text(min_size=1, max_size=40)
asks = st.lists(texts, max_size=9).map(
    lambda labels: Ask("character", "leaf_tip", "Which?", tuple(map(Choice, "123456789", labels, labels)))
)


def bare(text: str) -> str:
    """The letters alone, as they are kept."""
    kept = text.encode("utf-8", "replace").decode()
    return "".join(letter for letter in kept if letter.isprintable() and not letter.isspace())


@given(blocks=blocks, ask=asks | st.none())
def test_a_reply_is_html_that_telegram_can_parse_and_says_what_the_blocks_say(
    mind: Mind, blocks: list[Block], ask: Ask | None
) -> None:
    found = compose(blocks, ask, mind.script)
    in_order = sorted(blocks, key=lambda block: block.kind != "caution")
    assert bare(parsed(found.html).text) == bare("".join(block.text for block in in_order))
    assert found.rest == ""


@given(blocks=long_blocks)
def test_a_long_reply_fits_in_one_message_and_nothing_of_it_is_lost(mind: Mind, blocks: list[Block]) -> None:
    found = compose(blocks, ASK, mind.script)
    said = parsed(found.html).text
    assert units_of_utf16(said) <= MOST_UNITS
    assert sorted(bare(said + found.rest)) == sorted(bare("".join(block.text for block in blocks)))
    assert [row[-1].data for row in found.rows][-1] == ("m:0" if found.rest else "c:0:3")


@given(text=st.text("ab<&🌲. ,\n", min_size=1, max_size=9000))
def test_a_long_text_is_told_in_parts_that_join_to_it(mind: Mind, text: str) -> None:
    parts, rest = [], text
    while rest:
        found = compose_text(rest, mind.script)
        parts.append(parsed(found.html).text)
        assert units_of_utf16(parts[-1]) <= MOST_UNITS
        assert len(found.rest) < len(rest)
        rest = found.rest
    assert bare("".join(parts)) == bare(text)


@given(text=st.text(st.characters(exclude_categories=["Cs"])))
def test_letters_are_counted_in_utf16(text: str) -> None:
    assert units(text) == units_of_utf16(text)


def test_danger_stands_first_and_bold(mind: Mind) -> None:
    found = compose((Block("took_in", "Got it: flat."), CAUTION, Block("question", "Soft?")), ASK, mind.script)
    assert found.html == "<b>Treat it as yew. All of it is poisonous.</b>\n\nGot it: flat.\n\nSoft?"


def test_danger_and_the_question_are_kept_where_not_all_has_room(mind: Mind) -> None:
    long = Block("facts", "\n".join(f"Tree {n}: white spruce, Michigan" for n in range(300)))
    found = compose((long, Block("question", "Soft or stiff?"), CAUTION), ASK, mind.script, question=7)
    said = parsed(found.html).text
    assert said.startswith(CAUTION.text)
    assert said.endswith("Soft or stiff?")
    assert found.rows[-1] == (Button(mind.script.say("telegram_more"), "m:7"),)


def test_a_long_list_is_cut_between_its_rows(mind: Mind) -> None:
    rows = [f"Tree {n}: white spruce, about 9 in 10, Michigan" for n in range(300)]
    found = compose_text("\n".join(rows), mind.script)
    assert found.html.split("\n") + found.rest.split("\n") == rows


def test_short_choices_stand_side_by_side_and_long_ones_alone(mind: Mind) -> None:
    assert [[one.label for one in row] for row in choice_rows(ASK, mind.script, 12)] == [
        ["(1) soft", "(2) stiff"],
        ["(3) can't tell"],
    ]
    long = Ask("compare", "", "", tuple(Choice(key, "needles 1 to 2 in, twig hairy", key) for key in "12"))
    assert [len(row) for row in choice_rows(long, mind.script, 12)] == [1, 1]


def test_a_label_that_is_too_long_for_a_button_is_cut_between_words(mind: Mind) -> None:
    said = "needles 1 to 2 in, twig with short rust hairs, cone 1 to 2 in, bark gray and rough"
    ((button,),) = choice_rows(Ask("compare", "", "", (Choice("1", said, "picea"),)), mind.script, 1)
    assert button.label == "(1) needles 1 to 2 in, twig with short rust hairs, cone ..."


@given(ask=asks, question=st.integers(0, 10**9 - 1))
def test_each_button_says_which_question_it_answers_and_keeps_to_the_limits(
    mind: Mind, ask: Ask, question: int
) -> None:
    rows = choice_rows(ask, mind.script, question)
    buttons = [button for row in rows for button in row]
    assert all(1 <= len(row) <= 8 for row in rows)
    assert all(1 <= len(button.data.encode()) <= 64 and button.label for button in buttons)
    pressed = [read_pressed(button.data) for button in buttons]
    assert pressed == [Pressed("choice", choice.key, question) for choice in ask.choices]


@given(key=keys)
def test_a_choice_that_is_too_long_for_a_button_has_none_and_others_come_back_whole(mind: Mind, key: str) -> None:
    ask = Ask("character", "", "", (Choice(key, "soft", "soft"),))
    found = [button for row in choice_rows(ask, mind.script, 5) for button in row]
    if found:
        assert read_pressed(found[0].data) == Pressed("choice", key.encode("utf-8", "replace").decode(), 5)
    else:
        assert len(choice_data(5, key).encode()) > 64


def test_words_can_be_on_buttons_too(mind: Mind) -> None:
    rows = word_rows([("Next tree", "next tree"), ("List", "list"), ("Long", "x" * 64), ("", "why")])
    assert rows == ((Button("Next tree", "w:next tree"), Button("List", "w:list")),)
    assert read_pressed("w:next tree") == Pressed("words", "next tree")


@pytest.mark.parametrize("data", ["", "c:1", "c::1", "c:x:1", "m:", "m:1:2", "q:1", "c:12345678901:1", "w:"])
def test_what_no_button_of_ours_carries_is_nothing(data: str) -> None:
    assert read_pressed(data) is None


@given(data=st.text(max_size=64))
def test_no_data_of_a_button_raises(data: str) -> None:
    read_pressed(data)


@given(blocks=blocks, ask=asks)
def test_a_message_comes_out_of_the_outbox_as_it_went_in(mind: Mind, blocks: list[Block], ask: Ask) -> None:
    found = compose(blocks, ask, mind.script, 3)
    assert from_text(to_text(found)) == Outgoing(found.html, found.rows)


@given(text=texts | st.sampled_from(["5", "[]", "{}", '{"html": 1}', '{"html": "a", "rows": 5}', "[" * 100_000]))
def test_a_plain_text_in_the_outbox_is_sent_as_it_stands(text: str) -> None:
    try:
        found = from_text(text)
    except ChannelError:
        assert not bare(text)
    else:
        assert bare(parsed(found.html).text) == bare(text)[: len(bare(parsed(found.html).text))]


def test_the_choice_that_was_made_stands_below_its_question(mind: Mind) -> None:
    alone = chosen("How do <b>they</b> feel?", "(1) soft", mind.script)
    assert alone == Outgoing("How do <b>they</b> feel?\n\n<i>You chose (1) soft.</i>")
    named = chosen("Feel?", "(1) soft & <sharp>", mind.script, "Ana")
    assert named == Outgoing("Feel?\n\n<i>Ana chose (1) soft &amp; &lt;sharp&gt;.</i>")


@pytest.mark.parametrize("shown", ["", "x" * 4090])
def test_where_the_question_is_gone_or_full_nothing_is_put_below(mind: Mind, shown: str) -> None:
    assert chosen(shown, "(1) soft", mind.script) is None


@pytest.mark.parametrize("line", ["telegram_old_question", "telegram_old_message"])
def test_what_is_said_to_a_button_has_room_there(mind: Mind, line: str) -> None:
    assert 1 <= units(mind.script.say(line)) <= 200


def test_replies_are_composed_without_the_library_of_telegram() -> None:
    room = "chatkey.channels.telegram"
    code = f"import sys, {room}.messages, {room}.pacing, {room}.address; sys.exit('telegram' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
