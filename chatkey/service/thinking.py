"""One conversation's waiting messages thought about: pure, so that it runs in any process and gives the same."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from chatkey.channels.sms.keywords import Keyword
from chatkey.channels.writing import Hearing, Writing
from chatkey.dialog import Conversation, Message, Mind, Turned, step, walk_csv, walk_list
from chatkey.dialog.conversation import Tree, from_json, to_json
from chatkey.dialog.handover import Desk
from chatkey.dialog.phrase import capital
from chatkey.dialog.reply import Ask, Block
from chatkey.dialog.view import claim_view
from chatkey.store.messages import Carried, Letter, Phrase, Thought, TreeRecord, Waiting, Work
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
    writing = frame.channels[work.channel]
    text = mind.script.say(f"{writing.name}_fault", group=frame.group)
    tree = _stored(mind, work).current
    letter = None if work.is_stopped else Letter(writing.fit_text(mind, text, _reply_to(message))[0])
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
        """What comes of the next message."""
        text = message.text[: self.frame.text_letters]
        idle = max(0.0, message.received_at - self.last_at) if self.last_at is not None else 0.0
        self.last_at = message.received_at
        hearing = self.writing.hear(self.mind, self.conversation, text, message.about)
        if message.tree is not None and hearing.tree is None:
            hearing = replace(hearing, tree=message.tree)
        was_nameless = self.conversation.nameless
        thought = self._heard(message, hearing, text, idle)
        kept: dict[str, Any] = {"photo": message.about["photo"]} if message.about.get("photo") else {}
        if thought.tree is not None and message.posted_as:
            kept["turn"] = self.conversation.messages  # what an edit of it takes back
        nods = (hearing.nod,) if hearing.nod else ()
        drops = self.conversation.nameless and not was_nameless
        return replace(thought, about=kept or None, nods=nods, drops_names=drops)

    def _heard(self, message: Waiting, hearing: Hearing, text: str, idle: float) -> Thought:
        if hearing.standing:
            return self._stands(message, hearing)
        word = hearing.word or self.writing.keyword(self.mind, text)
        if self.is_stopped:
            return self._while_stopped(message, hearing, word)
        if word in self.writing.keywords or hearing.word:
            return self._keyword(message, word)
        if hearing.text and (not hearing.undoes or message.is_last):
            return self._turn(message, hearing, idle)
        said = self._fit_text(self._say(hearing.line), message)[0] if hearing.line else ""
        return Thought(message.id, None, self._notice(said))

    def _stands(self, message: Waiting, hearing: Hearing) -> Thought:
        """They left, or came back: nothing is said to that but a word of welcome."""
        self.is_stopped = hearing.standing == "stop"
        said = self._fit_text(self._say(hearing.line), message)[0] if hearing.line else ""
        return Thought(message.id, None, self._notice(said), standing=hearing.standing)

    def _while_stopped(self, message: Waiting, hearing: Hearing, word: Keyword | None) -> Thought:
        """Silence, but for the word that ends it and for danger to life."""
        if word in ("start", "yes"):
            self.is_stopped = False
            return self._started(message)
        if not hearing.text:
            return Thought(message.id, None, None)
        turned = self._step(message, hearing.text, 0.0, hearing.tree)
        if "unsafe" in turned.view["intents"] and any(one["id"] == "swallowed" for one in turned.view["cautions"]):
            cautions = tuple(block for block in turned.reply.blocks if block.kind == "caution")
            return Thought(message.id, None, self._letter(message, cautions, None, None), handed=_handed(turned))
        if "erase" in turned.view["intents"]:
            return self._erased(message, turned, silent=True)
        return Thought(message.id, None, None)

    def _started(self, message: Waiting) -> Thought:
        """It goes on, and the question that waits is put again."""
        conversation = self.conversation
        if conversation.state == "stopped":
            conversation = replace(conversation, state="listening")
        self.conversation = conversation
        started = self._say(f"{self.writing.name}_started")
        turned = self._step(message, "hello", 0.0, None, started)
        self.conversation = turned.conversation
        blocks = (Block("note", started), *turned.reply.blocks[-1:])
        letter = self._letter(message, blocks, turned.reply.ask, turned.view["tree"])
        return Thought(message.id, self._state(), letter, standing="start")

    def _keyword(self, message: Waiting, word: Keyword | None) -> Thought:
        name = self.writing.name
        if word == "stop":
            self.is_stopped = True
            letter = Letter(self._fit_text(self._say(f"{name}_stopped"), message)[0], kind="notice")
            return Thought(message.id, self._state(), letter, standing="stop")
        if word == "help":
            text = self._say(f"{name}_help", person=self.frame.person)
        elif word == "more" and self.rest:
            text = self.rest
        else:
            text = self._say(f"{name}_no_more" if word == "more" else f"{name}_started")
        text, self.rest = self._fit_text(text, message)
        tree = self.conversation.current if self.writing.has_threads else None
        cautions = tuple((one.text, one.short) for one in self.carried if tree is None or one.tree == tree)
        return Thought(message.id, None, Letter(text, self.rest, cautions=cautions, tree=tree))

    def _turn(self, message: Waiting, hearing: Hearing, idle: float) -> Thought:
        before = self.conversation
        if hearing.undoes:
            self._take_back(message, hearing)
        turned = self._step(message, hearing.text, idle, hearing.tree)
        self.conversation = turned.conversation
        if turned.view["intent"] == "erase":
            return self._erased(message, turned)
        if turned.conversation.state == "stopped":
            self.is_stopped, self.conversation = True, before  # the question that waits is put again after a START
            text = self._fit_text(self._say(f"{self.writing.name}_stopped"), message)[0]
            return Thought(message.id, self._state(), Letter(text, kind="notice"), standing="stop")
        tree = turned.view["tree"]
        blocks = turned.reply.blocks
        if hearing.line:
            blocks = (*blocks[:-1], Block("note", self._say(hearing.line)), *blocks[-1:])
        return Thought(
            message.id,
            self._state(),
            self._letter(message, blocks, turned.reply.ask, tree),
            handed=_handed(turned),
            record=tree_record(self.mind, turned.conversation, tree, message.received_at),
            phrases=_phrases(before, turned.conversation),
            more=self._list(before),
            tree=tree,
        )

    def _take_back(self, message: Waiting, hearing: Hearing) -> None:
        """What the message told of that tree is taken back, for the reader put other words in its place."""
        tree = self.conversation.tree_of(hearing.tree or self.conversation.current)
        undo = self.mind.script.tables["telegram_commands"]["undo"]
        told = {*(claim.message for claim in tree.claims), *(tally.message for tally in tree.tallies)}
        if message.edits not in told:
            return
        about = {claim.character for claim in tree.claims if claim.message == message.edits}
        after = self._step(message, undo, 0.0, hearing.tree).conversation
        self.conversation = _without_question(after, tree.id, about)

    def _erased(self, message: Waiting, turned: Turned, *, silent: bool = False) -> Thought:
        """Who asked for it is forgotten: the whole conversation, or in a crew the one reader."""
        text = self._fit_text(turned.reply.text, message)[0]
        letter = None if silent else Letter(text, kind="notice")
        if not message.about.get("crew"):
            return Thought(message.id, None, letter, erases=True)
        self.conversation = after = turned.conversation
        records = (tree_record(self.mind, after, tree.id, message.received_at, bare=True) for tree in after.trees)
        trees = tuple(record for record in records if record is not None)
        return Thought(message.id, self._state(), letter, forgets_reader=message.reader, trees=trees)

    def _list(self, before: Conversation) -> tuple[Letter, ...]:
        """The list of a walk that ended now, as a file where the channel carries files."""
        walk, was = self.conversation.walk, before.walk
        if walk is None or not walk.last or (was is not None and was == walk):
            return ()
        found = walk_list(self.mind, self.conversation)
        text = self.writing.file(self.mind.script.say("walk_file"), walk_csv(found)) if found else ""
        return (Letter(text, kind="notice"),) if text else ()

    def _step(self, message: Waiting, text: str, idle: float, tree: int | None, beside: str = "") -> Turned:
        said = Message(
            text,
            message.reader,
            self.frame.place,
            datetime.fromtimestamp(message.received_at, UTC).month,
            desk=self.frame.desk,
            idle_hours=idle / HOUR_S,
            name=str(message.about.get("name", "")) if message.about.get("crew") else "",
            crew=bool(message.about.get("crew")),
            tree=tree,
            room=self._room(tree, beside),
        )
        return step(self.mind, self.conversation, said)

    def _room(self, tree: int | None, beside: str) -> int | None:
        """Letters that the talk has in a reply, without what goes out with it in any case."""
        if self.writing.room is None:
            return None
        waiting = [one.short or one.text for one in self.carried if tree is None or one.tree in (tree, None)]
        return self.writing.room - sum(len(text) + 1 for text in (*waiting, beside) if text)

    def _letter(self, message: Waiting, blocks: tuple[Block, ...], ask: Ask | None, tree: int | None) -> Letter | None:
        """The reply as it is sent, with the cautions of those whose place it takes before it."""
        tree = tree if self.writing.has_threads else None
        own = {block.text for block in blocks}
        mine = [one for one in self.carried if tree is None or one.tree in (tree, None)]
        carried = tuple(Block("caution", one.text, one.short) for one in mine if one.text not in own)
        question = self.writing.question(self.conversation, tree) if tree is not None and ask is not None else 0
        text, self.rest = self.writing.fit(self.mind, (*carried, *blocks), ask, question, _reply_to(message))
        cautions = tuple((block.text, block.short) for block in (*carried, *blocks) if block.kind == "caution")
        if not text:
            return None
        others = tuple(one for one in self.carried if one not in mine)
        self.carried = (*others, *(Carried(*one, tree) for one in cautions))
        return Letter(text, self.rest, cautions=cautions, tree=tree)

    def _notice(self, text: str) -> Letter | None:
        return Letter(text, kind="notice") if text else None

    def _say(self, line: str, **gaps: str) -> str:
        lines = {**self.mind.knowledge.lines.get("unknown", {}), **self.mind.card.lines}
        return capital(self.mind.script.say(line, group=self.frame.group, **{**lines, **gaps}))

    def _fit_text(self, text: str, message: Waiting) -> tuple[str, str]:
        return self.writing.fit_text(self.mind, text, _reply_to(message))

    def _state(self) -> str:
        return json.dumps(to_json(self.conversation), separators=(",", ":"))


def _without_question(conversation: Conversation, number: int, about: set[str]) -> Conversation:
    """The conversation without the question that waits for a tree and was never seen, unless it is about these."""
    pending, waits = conversation.pending, conversation.tree_of(number).waits
    if number == conversation.current:
        seen = pending is None or pending.character in about
        return conversation if seen else replace(conversation, pending=None)
    if waits is None or waits.pending is None or waits.pending.character in about:
        return conversation
    quiet = (replace(tree, waits=None) if tree.id == number else tree for tree in conversation.trees)
    return replace(conversation, trees=tuple(quiet))


def _reply_to(message: Waiting) -> int:
    """Among several people a reply shows whom it answers."""
    return message.posted_as if message.about.get("crew") else 0


def tree_record(
    mind: Mind, conversation: Conversation, number: int, at: float, *, bare: bool = False
) -> TreeRecord | None:
    """What a survey wants of a tree; None where nothing was said of it (or with `bare`, an empty record then)."""
    tree = next(tree for tree in conversation.trees if tree.id == number)
    if not tree.claims and not bare:
        return None
    shown = tree.shown
    return TreeRecord(
        tree=tree.id,
        claims=tuple(_bare(claim_view(claim)) for claim in tree.claims),
        place=_place(tree),
        month=tree.month or datetime.fromtimestamp(at, UTC).month,
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
