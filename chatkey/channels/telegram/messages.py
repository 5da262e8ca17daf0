"""A reply as Telegram shows it: paragraphs with danger first and bold, choices as buttons, all within one message."""

from __future__ import annotations

import html
import json
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from chatkey.channels.base import ChannelError, whole
from chatkey.dialog.reply import Ask, Block
from chatkey.dialog.script import Script

MOST_UNITS = 4096  # of UTF-16, after the tags are parsed
MOST_DATA = 64  # bytes of what a button carries
MOST_BUTTONS = 100
MORE_OF_LABEL = " ..."
LONGEST_LABEL = 60  # letters of a button; the choice stands whole in the question
ROW_UNITS = 28  # letters that fit side by side on a narrow phone (from memory)
MOST_IN_ROW = 8
GAP = "\n\n"
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u2028\u2029]")
DATA = re.compile(r"(?:c:([0-9]{1,9}):(.+)|(m):([0-9]{1,9})|w:(.+))", re.DOTALL)
# Where a text is cut, the best place first: between lines (the rows of a list), sentences, items, words; else anywhere.
CUTS = (re.compile(r"\n"), re.compile(r"(?<=[.?]) (?=[A-Z(])"), re.compile(r"(?<=[,;]) "), re.compile(r" "))


@dataclass(frozen=True, slots=True)
class Button:
    """What a button says, and what comes back when it is pressed."""

    label: str
    data: str


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message in Telegram's HTML, its rows of buttons, and in plain text what had no room.

    `reply_to`: the message that it answers, where several talk. `file`: (name, text) of a file that it brings, or
    `photo`: one that a finder sent; the HTML is then what stands below.
    """

    html: str
    rows: tuple[tuple[Button, ...], ...] = ()
    rest: str = ""
    reply_to: int = 0
    file: tuple[str, str] | None = None
    photo: str = ""


@dataclass(frozen=True, slots=True)
class Pressed:
    """What a button stood for: a choice of a question, more of a reply that was cut, or words to hear."""

    kind: Literal["choice", "more", "words"]
    text: str = ""  # the choice's key, or the words
    question: int = 0  # which question (or reply) of the conversation; another one may wait by now


def compose(blocks: Sequence[Block], ask: Ask | None, script: Script, question: int = 0) -> Outgoing:
    """The reply in one message. Danger stands first and is never left out for anything else, then the question is kept,
    then the others in their order. `question` numbers the question within its conversation."""
    ordered = sorted(blocks, key=lambda block: block.kind != "caution")
    texts = [_clean(block.text) for block in ordered]
    said: dict[int, str] = {}
    left: dict[int, str] = {}
    for at in sorted(range(len(ordered)), key=lambda at: (_worth(ordered[at]), at)):
        room = MOST_UNITS - sum(units(text) + len(GAP) for text in said.values())
        said[at], rest = _cut(texts[at], room) if not left else ("", texts[at])
        if rest:
            left[at] = rest
    shown = [(ordered[at].kind, said[at]) for at in sorted(said) if said[at]]
    rest = GAP.join(left[at] for at in sorted(left))
    rows = choice_rows(ask, script, question) if ask else ()
    return Outgoing(GAP.join(_marked(*one) for one in shown), (*rows, *_more_row(rest, script, question)), rest)


def compose_text(text: str, script: Script, question: int = 0) -> Outgoing:
    """A plain text, or as much of it as fits one message."""
    said, rest = _cut(_clean(text), MOST_UNITS)
    return Outgoing(html.escape(said, quote=False), _more_row(rest, script, question), rest)


def choice_rows(ask: Ask, script: Script, question: int) -> tuple[tuple[Button, ...], ...]:
    """The choices as buttons, short ones side by side. One that can't be a button can still be typed."""
    buttons = []
    for choice in ask.choices[: MOST_BUTTONS - 1]:
        data = choice_data(question, choice.key)
        label = _labelled(script.say("choice", key=choice.key, label=choice.label))
        if len(data.encode()) <= MOST_DATA and choice.key:
            buttons.append(Button(label, data))
    return _in_rows(buttons)


def word_rows(words: Sequence[tuple[str, str]]) -> tuple[tuple[Button, ...], ...]:
    """Buttons that say words: (label, words)."""
    buttons = [Button(_clean(label), f"w:{said}") for label, said in words]
    return _in_rows([one for one in buttons if one.label and 2 < len(whole(one.data).encode()) <= MOST_DATA])


def chosen(shown: str, label: str, script: Script, name: str = "") -> Outgoing | None:
    """A question's message with the answer below and without buttons; None where there is no room for it. `name` says
    who chose, where several talk."""
    line = (
        script.say("telegram_chosen_by", name=name, label=label) if name else script.say("telegram_chosen", label=label)
    )
    text = f"{shown}{GAP}<i>{html.escape(_clean(line), quote=False)}</i>"
    return Outgoing(text) if shown and units(text) <= MOST_UNITS else None


def choice_data(question: int, key: str) -> str:
    """What the button of a choice carries: it means the same after a restart."""
    return f"c:{question}:{whole(key)}"


def read_pressed(data: str) -> Pressed | None:
    """What a button of ours stood for; None for what is not of our making."""
    found = DATA.fullmatch(data)
    if found is None:
        return None
    if found[1] is not None:
        return Pressed("choice", found[2], int(found[1]))
    return Pressed("more", question=int(found[4])) if found[3] else Pressed("words", found[5])


def to_text(outgoing: Outgoing) -> str:
    """The message as one text, for an outbox. What had no room is not in it."""
    rows = [[[button.label, button.data] for button in row] for row in outgoing.rows]
    found: dict[str, Any] = {"html": outgoing.html, "rows": rows}
    found |= {"reply_to": outgoing.reply_to} if outgoing.reply_to else {}
    found |= {"file": list(outgoing.file)} if outgoing.file else {}
    found |= {"photo": outgoing.photo} if outgoing.photo else {}
    return json.dumps(found, ensure_ascii=False, separators=(",", ":"))


def from_text(text: str) -> Outgoing:
    """The message that was made a text; a text that is none of these is sent as it stands."""
    try:
        found = json.loads(text)
        rows = tuple(tuple(Button(str(label), str(data)) for label, data in row) for row in found["rows"])
        name, content = found.get("file") or ("", "")
        return Outgoing(
            str(found["html"]),
            rows,
            reply_to=int(found.get("reply_to", 0)),
            file=(str(name), str(content)) if name else None,
            photo=str(found.get("photo", "")),
        )
    except (ValueError, KeyError, TypeError, RecursionError):
        said = _cut(_clean(text), MOST_UNITS)[0]
    if not said:
        raise ChannelError("text of a message", "is empty", "send a text, or nothing")
    return Outgoing(html.escape(said, quote=False))


def units(text: str) -> int:
    """The length as Telegram counts it: a letter outside of the first plane (🌲) is two."""
    return len(text) + sum(letter > "\uffff" for letter in text)


def within(text: str, room: int) -> str:
    """The beginning of the text that takes no more than so many units."""
    return text[: _letters_within(text, room)]


def _worth(block: Block) -> int:
    return {"caution": 0, "question": 1}.get(block.kind, 2)


def _marked(kind: str, text: str) -> str:
    escaped = html.escape(text, quote=False)
    return f"<b>{escaped}</b>" if kind == "caution" else escaped


def _clean(text: str) -> str:
    """Without half characters, control characters and blanks around."""
    return CONTROL.sub(" ", whole(text)).strip()


def _labelled(text: str) -> str:
    """The words of a button on one line, cut between two of them where they are too many."""
    text = " ".join(_clean(text).split())
    return textwrap.shorten(text, LONGEST_LABEL, placeholder=MORE_OF_LABEL)


def _cut(text: str, room: int) -> tuple[str, str]:
    """The text in two, the first as long as the room lets it be; nothing is lost but the blanks between."""
    if units(text) <= room:
        return text, ""
    most = _letters_within(text, room)
    for ends in CUTS:
        places = [found.start() for found in ends.finditer(text, 1, most + 1)]
        if places and places[-1] >= most // 2:
            return text[: places[-1]].rstrip(), text[places[-1] :].strip()
    return text[:most].rstrip(), text[most:].strip()


def _letters_within(text: str, room: int) -> int:
    used = 0
    for at, letter in enumerate(text):
        used += 1 + (letter > "\uffff")
        if used > room:
            return at
    return len(text)


def _more_row(rest: str, script: Script, question: int) -> tuple[tuple[Button, ...], ...]:
    return ((Button(script.say("telegram_more"), f"m:{question}"),),) if rest else ()


def _in_rows(buttons: Sequence[Button]) -> tuple[tuple[Button, ...], ...]:
    rows: list[list[Button]] = []
    for button in buttons:
        width = sum(units(other.label) for other in rows[-1]) + units(button.label) if rows else 0
        if rows and width <= ROW_UNITS and len(rows[-1]) < MOST_IN_ROW:
            rows[-1].append(button)
        else:
            rows.append([button])
    return tuple(tuple(row) for row in rows)
