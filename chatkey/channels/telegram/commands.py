"""Commands ("/next@ourname"): what each means in words, and how Telegram's menu describes them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from telegram import BotCommand

from chatkey.channels.base import ChannelError
from chatkey.dialog.script import Script

COMMAND = re.compile(r"/([A-Za-z0-9_]{1,32})(?:@([A-Za-z0-9_]{1,64}))?(?=\s|$)", re.ASCII)
NAME = re.compile(r"[a-z0-9_]{1,32}", re.ASCII)
PAYLOAD = re.compile(r"[A-Za-z0-9_-]{1,64}", re.ASCII)  # what a link to us puts behind /start; nobody typed it
MOST_COMMANDS = 100
LONGEST_DESCRIPTION = 256


@dataclass(frozen=True, slots=True)
class Command:
    """A command at the start of a message: the message in words, and for whom it is."""

    text: str
    is_known: bool
    meant_for: Literal["us", "others", "anyone"]


def read_command(text: str, username: str, commands: Mapping[str, str]) -> Command | None:
    """The command that a message begins with, None where it begins otherwise."""
    found = COMMAND.match(text)
    if found is None:
        return None
    name, named, behind = found[1].lower(), found[2], text[found.end() :].strip()
    if named and named.lower() != username.lower():
        return Command(text, False, "others")
    words = commands.get(name)
    if name == "start" and PAYLOAD.fullmatch(behind):
        behind = ""
    said = "\n".join(part for part in (words or name.replace("_", " "), behind) if part)
    return Command(said, words is not None, "us" if named else "anyone")


def menu(script: Script) -> list[BotCommand]:
    """The commands of one language as Telegram lists them. Raises ChannelError for one it would refuse."""
    words, descriptions = script.tables["telegram_commands"], script.tables["telegram_menu"]
    for name, description in descriptions.items():
        where = f"telegram_menu {name!r}"
        if name not in words:
            raise ChannelError(where, "is none of telegram_commands", "say there what it means")
        if not NAME.fullmatch(name):
            raise ChannelError(where, "is no command", "use up to 32 of a to z, 0 to 9 and _")
        if not 1 <= len(description) <= LONGEST_DESCRIPTION:
            raise ChannelError(where, "has no description of 1 to 256 letters", "write a short one")
    if len(descriptions) > MOST_COMMANDS:
        raise ChannelError("telegram_menu", f"has more than {MOST_COMMANDS} commands", "leave some out")
    return [BotCommand(name, description) for name, description in descriptions.items()]
