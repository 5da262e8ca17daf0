"""One body of tests for every channel: the same talks over the terminal, SMS and Telegram end in the same facts."""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from bot_updates import ANA, BEN, CAL
from botapi import GROUP
from chats import Chats, opened_chats
from phones import Phones
from sqlalchemy import select

from chatkey.channels.base import Talks, place_of
from chatkey.channels.lines import converse_in_json
from chatkey.dialog import Conversation, Mind, from_json
from chatkey.store.schema import conversations

PHONE = "+19065550107"
PEOPLE = {"Ana": ANA, "Ben": BEN, "Cleo": CAL}
Facts = dict[int, list[tuple[Any, ...]]]

# Each line is who writes and what; a line of nobody's is of the only finder.
TALKS: Mapping[str, Sequence[tuple[str, str]]] = {
    "solo": [
        ("", "soft short flat needles, 2 white lines under"),
        ("", "3"),
        ("", "twig is brown and rough, no knobs"),
        ("", "cones hang down, under an inch"),
        ("", "why"),
        ("", "undo"),
        ("", "next tree. needles in twos, 5 inches long"),
        ("", "they snap clean"),
        ("", "list"),
    ],
    "crew": [
        ("Ana", "start a walk"),
        ("Ana", "soft short flat needles"),
        ("Ben", "two white lines under"),
        ("Ben", "12 more of the same"),
        ("Ana", "next tree"),
        ("Cleo", "bundles of five, needles 4 in long"),
        ("Ana", "3 dead, 5 browsed"),
        ("Ben", "end the walk"),
    ],
    "hand-over": [
        ("", "soft needles in tufts on stubby knobs. no cones"),
        ("", "can a real person look at it"),
        ("", "bark is gray"),
    ],
    "stop": [
        ("", "sharp needles, rolls in my fingers"),
        ("", "stop"),
        ("", "needles in bundles of five"),
    ],
    "erase": [
        ("", "flat soft needles, near Marquette MI"),
        ("", "forget me"),
    ],
    "unsafe": [
        ("", "red berries with a hole, flat needles, clipped hedge"),
        ("", "my goat ate some"),
        ("", "needles are soft"),
    ],
}
SILENT_AFTER = {"stop": 1}  # from which line on nothing is said but to the one that stops


@pytest.fixture
def chats(tmp_path: Path, mind: Mind) -> Iterator[Chats]:
    (tmp_path / "telegram").mkdir()
    with opened_chats(tmp_path / "telegram", mind) as found:
        yield found


@pytest.mark.parametrize("talk", TALKS)
def test_a_talk_ends_in_the_same_trees_and_facts_over_every_channel(talk, mind, phones, chats):
    lines = TALKS[talk]
    over = {channel: run(mind, phones, chats, talk, lines) for channel, run in CHANNELS.items()}
    assert over["sms"] == over["terminal"]
    assert over["telegram"] == over["terminal"]
    assert bool(over["terminal"]) is (talk != "erase")


def over_terminal(mind: Mind, _phones: Phones, _chats: Chats, _talk: str, lines: Sequence[tuple[str, str]]) -> Facts:
    """Line by line, as a program at the terminal talks."""
    talks = Talks(mind, place_of(mind, "MI"))
    said = "".join(json.dumps({"text": text, "from": who or "finder"}) + "\n" for who, text in lines)
    out = io.StringIO()
    converse_in_json(talks, io.StringIO(said), out)
    assert len(out.getvalue().splitlines()) == len(lines)
    return facts_of(talks.conversations["main"])


def over_sms(mind: Mind, phones: Phones, _chats: Chats, talk: str, lines: Sequence[tuple[str, str]]) -> Facts:
    """One phone, which a crew hands round."""
    for n, (_, text) in enumerate(lines):
        if n > SILENT_AFTER.get(talk, len(lines)):
            phones.silence(PHONE, text)
        else:
            assert phones.say(PHONE, text)
    with contextlib.closing(phones.store()) as store, store.read() as connection:
        mark = store.seal.mark("address", "sms", PHONE)
        state = connection.scalar(select(conversations.c.state).where(conversations.c.mark == mark))
    return facts_of(from_json(json.loads(state))) if state else {}


def over_telegram(_mind: Mind, _phones: Phones, chats: Chats, talk: str, lines: Sequence[tuple[str, str]]) -> Facts:
    """A private chat, or for a crew the group: who writes there names us or answers our last message."""
    for n, (who, text) in enumerate(lines):
        if n > SILENT_AFTER.get(talk, len(lines)):
            chats.silence(text)
        elif not who:
            assert chats.say(text)
        else:
            ours = chats.arrived(GROUP)
            to = ours[-1]["message_id"] if ours else 0
            named = text if to else f"@larkwater_key_bot {text}"
            assert chats.say(named, PEOPLE[who], GROUP, to=to)
    return facts_of(chats.talk(GROUP if lines[0][0] else ANA)) if talk != "erase" else gone(chats)


def gone(chats: Chats) -> Facts:
    """Nothing, where nothing is kept of the chat."""
    with contextlib.closing(chats.store()) as store, store.read() as connection:
        assert connection.scalar(select(conversations.c.id)) is None
    return {}


def facts_of(conversation: Conversation) -> Facts:
    """What is known of each tree: its facts, counts and labels, whoever said them."""
    return {
        tree.id: [
            *sorted(
                (claim.character, claim.states, claim.quantity, claim.negated, claim.hedge) for claim in tree.claims
            ),
            (tree.count, tree.conditions, tree.tag, tree.plot),
        ]
        for tree in conversation.trees
        if tree.claims
    }


CHANNELS: Mapping[str, Callable[..., Facts]] = {
    "terminal": over_terminal,
    "sms": over_sms,
    "telegram": over_telegram,
}
