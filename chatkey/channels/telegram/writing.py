"""Telegram for the talk: what a message that was kept says to it, and how a reply is written. Pure; no client."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from chatkey.channels.sms.keywords import Keyword
from chatkey.channels.telegram.messages import Outgoing, chosen, compose, compose_text, read_pressed, to_text
from chatkey.channels.writing import Hearing, Writing
from chatkey.dialog import Conversation, Mind
from chatkey.dialog.reply import Ask, Block
from chatkey.understand import Pending, understand

GREETING = "hello"
QUESTIONS = 10**9  # numbers of questions are below


class TelegramWriting(Writing):
    """Replies as one message with buttons; photos, buttons and corrections heard."""

    name: ClassVar[str] = "telegram"
    keywords: ClassVar[Sequence[Keyword]] = ("stop",)
    has_threads: ClassVar[bool] = True

    def fit(
        self, mind: Mind, blocks: Sequence[Block], ask: Ask | None, question: int = 0, reply_to: int = 0
    ) -> tuple[str, str]:
        """The message made a text, "" where there is nothing to say, and what had no room."""
        outgoing = compose(blocks, ask, mind.script, question)
        return _written(replace(outgoing, reply_to=reply_to)), outgoing.rest

    def fit_text(self, mind: Mind, text: str, reply_to: int = 0) -> tuple[str, str]:
        """The same of a plain text."""
        outgoing = compose_text(text, mind.script)
        return _written(replace(outgoing, reply_to=reply_to)), outgoing.rest

    def file(self, name: str, text: str) -> str:
        """A file on its way, made a text."""
        return to_text(Outgoing("", file=(name, text)))

    def keyword(self, mind: Mind, text: str) -> Keyword | None:
        """The word of /stop or /start, alone in a message."""
        commands, said = mind.script.tables["telegram_commands"], text.strip().lower()
        words: tuple[Keyword, ...] = ("stop", "start")
        return next((word for word in words if said == commands[word].lower()), None)

    def question(self, conversation: Conversation, tree: int) -> int:
        """The number of the question that waits for a tree: the same as long as it is the same question."""
        return _number(tree, _pending(conversation, tree))

    def hear(self, mind: Mind, conversation: Conversation, text: str, about: Mapping[str, Any]) -> Hearing:
        """What the talk is given of a message."""
        kind = about.get("kind", "text")
        if kind == "button":
            return _button(mind, conversation, about)
        if kind == "photo":
            quiet = bool(about.get("is_more")) and not text
            return Hearing(text, "" if quiet else "telegram_photo")
        if kind == "other":
            return Hearing(text, "telegram_only_words")
        if kind in ("joined", "left"):
            line = "telegram_joined" if kind == "joined" and about.get("crew") else ""
            return Hearing(line=line, standing="start" if kind == "joined" else "stop")
        if kind == "edited":
            return Hearing(text, undoes=True)
        return Hearing(GREETING if self.keyword(mind, text) == "start" else text)


def _button(mind: Mind, conversation: Conversation, about: Mapping[str, Any]) -> Hearing:
    """A choice of the question that waits, whichever tree it is about; else a word on that it is over."""
    callback, label = str(about.get("callback", "")), str(about.get("label", ""))
    pressed = read_pressed(str(about.get("data", "")))
    if pressed is None:
        return Hearing(nod=_nod(callback, mind.script.say("telegram_old_message")))
    if pressed.kind == "more":
        return Hearing(word="more", nod=_nod(callback))
    if pressed.kind == "words":
        return Hearing(pressed.text, nod=_nod(callback))
    for tree in conversation.trees:
        pending = _pending(conversation, tree.id)
        if pending is not None and _number(tree.id, pending) == pressed.question:
            name = str(about.get("name", "")) if about.get("crew") and not conversation.nameless else ""
            mark = chosen(str(about.get("shown", "")), label, mind.script, name) if label else None
            return Hearing(pressed.text, tree=tree.id, nod=_nod(callback, "", about, mark))
    if about.get("crew") and label and understand(label, mind.knowledge, mind.lexicon).claims:
        return Hearing(label, nod=_nod(callback))  # another pair of hands, a moment later
    return Hearing(nod=_nod(callback, mind.script.say("telegram_old_question")))


def _nod(
    callback: str, says: str = "", about: Mapping[str, Any] | None = None, mark: Outgoing | None = None
) -> dict[str, Any]:
    """The sign that a button was felt, and its question marked with what was chosen."""
    found: dict[str, Any] = {"callback": callback, "says": says}
    if about is not None and mark is not None:
        found |= {"message": about.get("message", 0), "html": mark.html}
    return found


def _pending(conversation: Conversation, tree: int) -> Pending | None:
    if tree == conversation.current:
        return conversation.pending
    waits = next((one.waits for one in conversation.trees if one.id == tree), None)
    return waits.pending if waits is not None else None


def _number(tree: int, pending: Pending | None) -> int:
    """Of the question by what it is, so that it needs no keeping and outlives a restart."""
    if pending is None:
        return 0
    asked = [tree, pending.kind, pending.character, list(pending.choices)]
    return 1 + zlib.crc32(json.dumps(asked).encode()) % (QUESTIONS - 1)


def _written(outgoing: Outgoing) -> str:
    return to_text(outgoing) if outgoing.html else ""
