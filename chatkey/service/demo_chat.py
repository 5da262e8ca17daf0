"""A crew's walk in a Telegram group, all of it on this machine: the real client and the real service, at the real pace;
a network of our own stands in for Telegram's."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import SecretStr
from rich.console import Console
from rich.panel import Panel
from rich.text import Text

from chatkey.knowledge.yaml_nodes import Entry, read_file
from chatkey.service.demo_botapi import TOKEN, Message, Network, buttons
from chatkey.service.demo_stage import DemoError, arrival, bubble, headline, note, served, wait_for_reader
from chatkey.service.pool import Opener
from chatkey.service.serve import build
from chatkey.service.settings import Settings, TelegramSettings
from chatkey.store.seal import new_key

CHATS: Mapping[str, int] = {"crew": -1001, "stewards": -1002}
KEYS = ("note", "from", "say", "press", "to", "answers", "replies", "aside", "marks", "shows")
LONGEST_QUOTE = 40  # letters


@dataclass(frozen=True, slots=True)
class Move:
    """One thing that happens in a chat."""

    note: str = ""
    name: str = ""
    chat: str = ""  # where it is written, or what is shown
    text: str = ""
    press: str = ""  # how the button's label begins
    to: str = ""  # words of the message that it replies to; else the newest
    answers: str = ""  # the chat in which the answer arrives
    replies: int = 1
    aside: bool = False  # said to the others: a reply to nothing
    marks: bool = False  # the message that it replies to is marked with it


@dataclass(frozen=True, slots=True)
class Groups:
    """What the moves are played on: the chats, the people in them, and where it is shown."""

    network: Network
    people: Mapping[str, int]
    console: Console


async def play_walk(
    open_mind: Opener, path: Path, folder: Path, pace: float, console: Console, clock: Callable[[], float]
) -> None:
    """Plays a walk into the console. Raises DemoError, or KnowledgeError with file:line."""
    people, moves = read_moves(path)
    network = Network(clock)
    async with served(network.app()) as api, served(build(_settings(folder, api), open_mind, clock)):
        headline(console, "A crew of the Larkwater Stewards walks in a Telegram group: no network but this machine's.")
        groups = Groups(network, people, console)
        for move in moves:
            await wait_for_reader(await _show(groups, move), pace)
    headline(console, f"\n{_counts(moves, network)}")


def read_moves(path: Path) -> tuple[Mapping[str, int], Sequence[Move]]:
    """The people and moves of a walk. Raises KnowledgeError with file:line."""
    top = read_file(path, path.parent).pairs(("crew", "stewards", "steps"), required=("crew", "stewards", "steps"))
    names = {chat: [entry.text() for entry in top[chat].items()] for chat in CHATS}
    people = {name: id for id, name in enumerate((name for chat in names.values() for name in chat), 101)}
    where = {name: chat for chat, members in names.items() for name in members}
    return people, [_move(entry, where) for entry in top["steps"].items()]


def _move(entry: Entry, where: Mapping[str, str]) -> Move:
    pairs = entry.pairs(KEYS)
    texts = {key: pairs[key].text() for key in ("note", "press", "to") if key in pairs}
    name = pairs["from"].one_of(where) if "from" in pairs else ""
    chat = pairs["shows"].one_of(CHATS) if "shows" in pairs else where.get(name, "")
    return Move(
        **texts,
        name=name,
        chat=chat,
        text=pairs["say"].text() if "say" in pairs else "",
        answers=pairs["answers"].one_of(CHATS) if "answers" in pairs else chat,
        replies=int(pairs["replies"].one_of(("0", "1", "2"))) if "replies" in pairs else 1,
        aside="aside" in pairs,
        marks="marks" in pairs,
    )


def _settings(folder: Path, api: str) -> Settings:
    """The settings of the Larkwater Stewards, with everything on this machine."""
    own = TelegramSettings(token=SecretStr(TOKEN), api=api, stewards=CHATS["stewards"])
    return Settings(
        group="the Larkwater Stewards",
        store=str(folder / "walk.db"),
        key=SecretStr(new_key()),
        place="MI",
        thinkers=0,
        telegram=own,
    )


async def _show(groups: Groups, move: Move) -> int:
    """One move, played and printed; how many letters there were to read."""
    if move.note:
        return note(groups.console, move.note)
    if not move.name:
        return await _show_next(groups, move.chat)
    replied = None if move.aside else _replied(groups.network, move)
    letters = len(move.text) + len(move.press)
    if move.press:
        letters += await _press(groups, move, replied)
    else:
        _write(groups, move, replied)
    for _ in range(0 if move.aside else move.replies):
        letters += await _show_next(groups, move.answers)
    if move.marks:
        letters += await _show_mark(groups, move.chat)
    return letters


def _replied(network: Network, move: Move) -> Message | None:
    """The newest of the bot's messages there in which the words stand. Raises DemoError."""
    found = [one for one in network.messages[CHATS[move.chat]] if move.to in one.get("text", "")]
    if move.to and not found:
        raise DemoError("demo", f"the bot has said nothing with {move.to!r}", "mend `to` in the steps")
    return found[-1] if found else None


def _write(groups: Groups, move: Move, replied: Message | None) -> None:
    shown = Text(move.text, "cyan")
    if move.to and replied is not None:
        shown = Text.assemble((f"to: {_beginning(replied, move.to)}\n", "dim"), shown)
    bubble(groups.console, move.name, shown, own=True)
    groups.network.write(CHATS[move.chat], _person(groups, move.name), move.text, replied)


async def _press(groups: Groups, move: Move, replied: Message | None) -> int:
    """Presses the button; what the person then sees on the screen is a line of its own."""
    label = next((label for label in buttons(replied or {}) if label.startswith(move.press)), None)
    if label is None or replied is None:
        raise DemoError("demo", f"there is no button {move.press!r}", "mend `press` in the steps")
    bubble(groups.console, move.name, Text.assemble(("presses ", "dim"), (f"[{label}]", "cyan")), own=True)
    groups.network.press(_person(groups, move.name), replied, buttons(replied)[label])
    felt = await arrival(groups.network.felt)
    if felt:
        groups.console.print(Text(f"{move.name}'s screen says: {felt}", "dim"))
    return len(felt)


async def _show_next(groups: Groups, chat: str) -> int:
    """The next message there, in a bubble; a file in a panel."""
    message = await arrival(groups.network.arrived[CHATS[chat]])
    if "document" in message:
        name, content = message["document"]["file_name"], message["content"].strip()
        title = f"{name}, a file to the {chat}"
        groups.console.print(Panel(Text(content, overflow="fold"), title=title, title_align="left"))
        return len(content)
    bubble(groups.console, f"the {chat}", _content(message))
    return len(message["text"])


async def _show_mark(groups: Groups, chat: str) -> int:
    """What now stands below a message of ours, its first line."""
    text = (await arrival(groups.network.edited[CHATS[chat]]))["text"]
    marked = text.rpartition("\n\n")[2].partition("\n")[0]
    groups.console.print(Text(f"Below the bot's message now stands: {marked}", "dim"))
    return len(marked)


def _content(message: Message) -> Text:
    """The words with their marks, then the buttons on a line."""
    shown = Text(message["text"])
    for entity in message.get("entities", ()):
        shown.stylize(entity["type"], entity["offset"], entity["offset"] + entity["length"])
    labels = "  ".join(f"[{label}]" for label in buttons(message))
    return Text.assemble(shown, "\n\n", (labels, "blue")) if labels else shown


def _beginning(message: Message, words: str) -> str:
    """The line of a message in which the words stand, cut where it is long."""
    line = next(line for line in message["text"].split("\n") if words in line)
    return line if len(line) <= LONGEST_QUOTE else f"{line[:LONGEST_QUOTE].rstrip()} ..."


def _person(groups: Groups, name: str) -> Mapping[str, Any]:
    return {"id": groups.people[name], "is_bot": False, "first_name": name}


def _counts(moves: Sequence[Move], network: Network) -> str:
    said = sum(bool(move.text) for move in moves)
    asides = sum(move.aside for move in moves)
    presses = sum(bool(move.press) for move in moves)
    return (
        f"People wrote {said} messages, {asides} of them not for the bot, and pressed {presses} buttons. "
        f"The bot sent {network.sent}, at most one a second in a chat. Nothing left this machine."
    )
