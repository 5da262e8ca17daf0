"""One conversation's waiting messages thought about: pure, so that it runs in any process and gives the same."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Protocol

from chatkey.channels.sms.keywords import Keyword
from chatkey.dialog import Conversation, Message, Mind, Turned, step
from chatkey.dialog.conversation import Tree, from_json, to_json
from chatkey.dialog.handover import Desk
from chatkey.dialog.phrase import capital
from chatkey.dialog.reply import Ask, Block
from chatkey.dialog.view import claim_view
from chatkey.store.messages import Letter, Phrase, Thought, TreeRecord, Waiting, Work
from chatkey.terms import Place

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Frame:
    """What is the same for all messages: who answers, where finders are as a rule, how channels write."""

    desk: Desk | None
    place: Place | None
    group: str
    person: str
    text_letters: int
    channels: Mapping[str, Writing]


class Writing(Protocol):
    """How a channel writes: what fits, and the words that it hears before the talk."""

    def fit(self, mind: Mind, blocks: tuple[Block, ...], ask: Ask | None) -> tuple[str, str]:
        """The text that is sent and the rest that had no room."""

    def fit_text(self, mind: Mind, text: str) -> tuple[str, str]:
        """A plain text and what of it had no room."""

    def keyword(self, mind: Mind, text: str) -> Keyword | None:
        """The word that stands alone in a message and means something to the channel."""


def think(mind: Mind, frame: Frame, work: Work) -> list[Thought]:
    """What comes of each message, in order. It ends early after a message that erases."""
    thinker = _Thinker(mind, frame, work)
    thoughts: list[Thought] = []
    for message in work.messages:
        thoughts.append(thinker.one(message))
        if thoughts[-1].erases:
            break
    return thoughts


def set_aside(mind: Mind, frame: Frame, work: Work) -> list[Thought]:
    """The first message could not be thought about, again and again: it goes to a steward, and the finder is told."""
    message = work.messages[0]
    text = mind.script.say("sms_fault", group=frame.group)
    tree = _stored(mind, work).current
    letter = None if work.is_stopped else Letter(frame.channels[work.channel].fit_text(mind, text)[0])
    return [Thought(message.id, None, letter, handed=((tree, "fault", ""),), failed=True)]


class _Thinker:
    """Carries the conversation from one message to the next."""

    def __init__(self, mind: Mind, frame: Frame, work: Work) -> None:
        self.mind, self.frame, self.work = mind, frame, work
        self.writing = frame.channels[work.channel]
        self.conversation = _stored(mind, work)
        self.last_at = work.last_at if work.state else None
        self.is_stopped = work.is_stopped
        self.rest = work.rest
        self.carried = work.carried

    def one(self, message: Waiting) -> Thought:
        text = message.text[: self.frame.text_letters]
        word = self.writing.keyword(self.mind, text)
        idle = max(0.0, message.received_at - self.last_at) if self.last_at is not None else 0.0
        self.last_at = message.received_at
        if self.is_stopped:
            return self._while_stopped(message, text, word)
        if word in ("stop", "start", "help", "more"):
            return self._keyword(message, word)
        return self._turn(message, text, idle)

    def _while_stopped(self, message: Waiting, text: str, word: Keyword | None) -> Thought:
        """Silence, but for the word that ends it and for danger to life."""
        if word in ("start", "yes"):
            self.is_stopped = False
            return self._started(message)
        turned = self._step(message, text, 0.0)
        if "unsafe" in turned.view["intents"] and any(one["id"] == "swallowed" for one in turned.view["cautions"]):
            cautions = tuple(block for block in turned.reply.blocks if block.kind == "caution")
            return Thought(message.id, None, self._letter(cautions, None), handed=_handed(turned))
        if "erase" in turned.view["intents"]:
            return Thought(message.id, None, None, erases=True)
        return Thought(message.id, None, None)

    def _started(self, message: Waiting) -> Thought:
        """It goes on, and the question that waits is put again."""
        conversation = self.conversation
        if conversation.state == "stopped":
            conversation = replace(conversation, state="listening")
        self.conversation = conversation
        turned = step(self.mind, conversation, Message("hello", message.reader, self.frame.place, desk=self.frame.desk))
        self.conversation = turned.conversation
        blocks = (Block("note", self._say("sms_started")), *turned.reply.blocks[-1:])
        letter = self._letter(blocks, turned.reply.ask)
        return Thought(message.id, self._state(), letter, standing="start")

    def _keyword(self, message: Waiting, word: Keyword) -> Thought:
        if word == "stop":
            self.is_stopped = True
            letter = Letter(self._fit_text(self._say("sms_stopped"))[0], kind="notice")
            return Thought(message.id, self._state(), letter, standing="stop")
        if word == "help":
            text = self._say("sms_help", person=self.frame.person)
        elif word == "more" and self.rest:
            text = self.rest
        else:
            text = self._say("sms_no_more" if word == "more" else "sms_started")
        text, self.rest = self._fit_text(text)
        return Thought(message.id, None, Letter(text, self.rest, cautions=self.carried))

    def _turn(self, message: Waiting, text: str, idle: float) -> Thought:
        before = self.conversation
        turned = self._step(message, text, idle)
        self.conversation = turned.conversation
        if turned.view["intent"] == "erase":
            return Thought(message.id, None, Letter(self._fit_text(turned.reply.text)[0], kind="notice"), erases=True)
        if turned.conversation.state == "stopped":
            self.is_stopped, self.conversation = True, before  # the question that waits is put again after a START
            stopped = Letter(self._fit_text(self._say("sms_stopped"))[0], kind="notice")
            return Thought(message.id, self._state(), stopped, standing="stop")
        letter = self._letter(turned.reply.blocks, turned.reply.ask)
        return Thought(
            message.id,
            self._state(),
            letter,
            handed=_handed(turned),
            record=tree_record(self.mind, turned.conversation, turned.conversation.current, message.received_at),
            phrases=_phrases(before, turned.conversation),
        )

    def _step(self, message: Waiting, text: str, idle: float) -> Turned:
        said = Message(
            text,
            message.reader,
            self.frame.place,
            datetime.fromtimestamp(message.received_at, UTC).month,
            desk=self.frame.desk,
            idle_hours=idle / HOUR_S,
        )
        return step(self.mind, self.conversation, said)

    def _letter(self, blocks: tuple[Block, ...], ask: Ask | None) -> Letter | None:
        """The reply as it is sent, with the cautions of one that was not sent yet before it."""
        own = {block.text for block in blocks}
        carried = tuple(Block("caution", text, short) for text, short in self.carried if text not in own)
        text, self.rest = self.writing.fit(self.mind, (*carried, *blocks), ask)
        cautions = tuple((block.text, block.short) for block in (*carried, *blocks) if block.kind == "caution")
        self.carried = cautions
        return Letter(text, self.rest, cautions=cautions) if text else None

    def _say(self, line: str, **gaps: str) -> str:
        lines = {**self.mind.knowledge.lines.get("unknown", {}), **self.mind.card.lines}
        return capital(self.mind.script.say(line, group=self.frame.group, **{**lines, **gaps}))

    def _fit_text(self, text: str) -> tuple[str, str]:
        return self.writing.fit_text(self.mind, text)

    def _state(self) -> str:
        return json.dumps(to_json(self.conversation), separators=(",", ":"))


def tree_record(mind: Mind, conversation: Conversation, number: int, at: float) -> TreeRecord | None:
    """What a survey wants of a tree; None where nothing was said of it."""
    tree = next(tree for tree in conversation.trees if tree.id == number)
    if not tree.claims:
        return None
    shown = tree.shown
    return TreeRecord(
        tree=tree.id,
        claims=tuple(_bare(claim_view(claim)) for claim in tree.claims),
        place=_place(tree),
        month=datetime.fromtimestamp(at, UTC).month,
        taxon=shown.taxon if shown else "",
        rank=shown.rank if shown else "",
        probability=shown.probability if shown else None,
        knowledge=shown.knowledge if shown else mind.knowledge.hash,
    )


def _bare(claim: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in claim.items() if key not in ("text", "span")}


def _place(tree: Tree) -> dict[str, Any] | None:
    place = tree.place
    if place is None:
        return None
    fields = {"code": place.code, "county": place.county, "town": place.town}
    found: dict[str, Any] = {key: value for key, value in fields.items() if value}
    if place.latitude is not None and place.longitude is not None:
        found |= {"latitude": round(place.latitude, 2), "longitude": round(place.longitude, 2)}
    return found


def _stored(mind: Mind, work: Work) -> Conversation:
    if work.state is None:
        return Conversation(id=str(work.conversation), language=mind.script.language)
    return from_json(json.loads(work.state), mind.knowledge.retired)


def _handed(turned: Turned) -> tuple[tuple[int, str, str], ...]:
    return tuple((one.tree, one.reason, one.detail) for one in turned.handed)


def _phrases(before: Conversation, after: Conversation) -> tuple[Phrase, ...]:
    known = set(before.unknown)
    return tuple(Phrase(one.words, one.reader, after.language, one.asked) for one in after.unknown if one not in known)
