"""Commands made words that the dialog knows, and the menu that Telegram shows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chatkey.channels.base import ChannelError
from chatkey.channels.telegram.commands import menu, read_command
from chatkey.dialog import Mind
from chatkey.understand import understand

INTENTS = {
    **{"start": "greeting", "help": "help", "next": "new_tree", "list": "list", "undo": "undo", "why": "why"},
    **{"person": "person", "walk": "list", "done": "list", "stop": "stop", "forget": "erase"},
}


def words_of(mind: Mind) -> dict[str, str]:
    return dict(mind.script.tables["telegram_commands"])


def test_each_command_stands_for_words_that_the_dialog_takes_as_meant(mind: Mind) -> None:
    heard = {name: understand(words, mind.knowledge, mind.lexicon).intent for name, words in words_of(mind).items()}
    assert heard == INTENTS


def test_a_walk_is_begun_and_ended_by_command(mind: Mind) -> None:
    words = words_of(mind)
    assert "walk" in understand(words["walk"], mind.knowledge, mind.lexicon).subjects
    assert "walk_end" in understand(words["done"], mind.knowledge, mind.lexicon).subjects


def test_a_command_with_words_behind_it_says_both(mind: Mind) -> None:
    command = read_command("/next@larkwater_key_bot needles are sharp", "Larkwater_Key_Bot", words_of(mind))
    assert command is not None
    assert (command.is_known, command.meant_for) == (True, "us")
    heard = understand(command.text, mind.knowledge, mind.lexicon)
    assert heard.intent == "new_tree"
    assert [claim.states for claim in heard.claims] == [("sharp",)]


@pytest.mark.parametrize(
    ("text", "said", "is_known", "meant_for"),
    [
        ("/next", "next tree", True, "anyone"),
        ("/NEXT", "next tree", True, "anyone"),
        ("/start north-loop_12", "start", True, "anyone"),
        ("/start needles are soft", "start\nneedles are soft", True, "anyone"),
        ("/how_sure", "how sure", False, "anyone"),
        ("/roll@other_bot 6", "/roll@other_bot 6", False, "others"),
        ("/next@other_bot", "/next@other_bot", False, "others"),
    ],
)
def test_a_command_is_read_with_whom_it_is_for(
    mind: Mind, text: str, said: str, is_known: bool, meant_for: str
) -> None:
    command = read_command(text, "larkwater_key_bot", words_of(mind))
    assert command is not None
    assert (command.text, command.is_known, command.meant_for) == (said, is_known, meant_for)


@pytest.mark.parametrize("text", ["", "next", " /next", "/", "/!", "/next!", "/né", "1/2 inch", "//next"])
def test_what_only_looks_like_a_command_is_none(mind: Mind, text: str) -> None:
    assert read_command(text, "larkwater_key_bot", words_of(mind)) is None


def test_the_menu_lists_commands_that_are_known_in_short_plain_words(mind: Mind) -> None:
    listed = menu(mind.script)
    assert [one.command for one in listed][:3] == ["next", "list", "undo"]
    assert {one.command for one in listed} <= set(words_of(mind))
    assert all(len(one.description.split()) <= 8 for one in listed)


@pytest.mark.parametrize(
    ("commands", "descriptions", "what"),
    [
        ({"next": "next tree"}, {"list": "The trees"}, "is none of telegram_commands"),
        ({"Next": "next tree"}, {"Next": "The next"}, "is no command"),
        ({"next": "next tree"}, {"next": ""}, "has no description of 1 to 256 letters"),
        ({"next": "next tree"}, {"next": "x" * 257}, "has no description of 1 to 256 letters"),
        ({f"n{n}": "next tree" for n in range(101)}, {f"n{n}": "The next" for n in range(101)}, "more than 100"),
    ],
)
def test_a_menu_that_telegram_would_refuse_is_told(
    mind: Mind, commands: dict[str, str], descriptions: dict[str, str], what: str
) -> None:
    tables = {**mind.script.tables, "telegram_commands": commands, "telegram_menu": descriptions}
    with pytest.raises(ChannelError, match=what):
        menu(replace(mind.script, tables=tables))
