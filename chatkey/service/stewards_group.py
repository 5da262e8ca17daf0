"""The stewards' group in Telegram: what waits is told there with everything gathered, and answered there.

Who may write in the group may answer; no other chat can.
"""

from __future__ import annotations

import asyncio
import html
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import structlog

from chatkey.channels.telegram.address import Address
from chatkey.channels.telegram.client import NAME, TelegramChannel
from chatkey.channels.telegram.messages import Button, Outgoing, compose_text, to_text
from chatkey.channels.telegram.updates import Heard
from chatkey.channels.writing import Writing
from chatkey.dialog import Mind
from chatkey.dialog.phrase import capital
from chatkey.service.keeper import either
from chatkey.service.running import Running
from chatkey.service.stewards import entry_view, give_answer, page
from chatkey.store import StoreError, queue
from chatkey.store.engine import StoreUnavailableError
from chatkey.store.messages import Given, Letter
from chatkey.terms import ChatkeyError

VERDICT = re.compile(r"d:([0-9]{1,18}):(right|unknown|take|other|is):?([a-z0-9_]*)", re.ASCII)
IT_IS = re.compile(r"\s*it(?: is|'s|’s)\s+(?:an? )?([^\n.!]+)[.!]?\s*", re.IGNORECASE)
MOST_NAMED = 2  # plants beside the one that was named that have a button
WORTH_A_BUTTON = 0.05
EDIT_TRIES = 5
LOOK_S = 5.0  # how soon what another process handed over is seen

log = structlog.get_logger()


@dataclass(slots=True, eq=False)
class StewardsGroup:
    """One group: its chat, and all that an answer needs."""

    running: Running
    channel: TelegramChannel
    mind: Mind
    writing: Mapping[str, Writing]
    chat: int
    _edits: set[asyncio.Task[None]] = field(default_factory=set)
    _posts: dict[int, Outgoing] = field(default_factory=dict)  # what was told, as far as this process told it

    def moved(self, chat: int) -> None:
        """The group has another id now."""
        self.chat = chat
        mend = f"set stewards = {chat} under [telegram] before the next start"
        log.warning("stewards_group_moved", mend=mend)

    async def tell(self) -> None:
        """Tells the group of what waits, once each, for as long as we serve."""
        while not self.running.stopping.is_set():
            self.running.handed.clear()
            keeper = self.running.keeper
            try:
                for given in await keeper.look(queue.untold, keeper.store):
                    letters = self._letters(given)
                    now = self.running.clock()
                    await keeper.db(queue.tell, keeper.store, given, NAME, str(self.chat), letters, now)
                    self.running.post.posted()
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="desk", what=error.args[1])
            await either(self.running.handed, LOOK_S)

    async def hear(self, heard: Heard) -> None:
        """What a steward wrote or pressed. Raises StoreUnavailableError: then it comes again."""
        heard = heard if heard.name else replace(heard, name=self.mind.script.say("desk_someone"))
        if heard.kind == "button":
            await self._press(heard)
        elif heard.kind == "text" and heard.reply_to:
            keeper = self.running.keeper
            id = await keeper.look(queue.told_as, keeper.store, heard.reply_to)
            if id is not None:
                await self._answer(heard, id)

    async def _press(self, heard: Heard) -> None:
        found, script, keeper = VERDICT.fullmatch(heard.data), self.mind.script, self.running.keeper
        if found is None:
            await self.channel.answer(heard.callback_id)
            return
        id, what, taxon = int(found[1]), found[2], found[3]
        if what == "other":
            await self.channel.answer(heard.callback_id, script.say("desk_how_other"))
            return
        if what == "take":
            by = await keeper.db(queue.take, keeper.store, id, heard.name)
            taken = script.say("desk_taken", name=by)
            await self.channel.answer(heard.callback_id, taken)
            if by == heard.name:
                await self._mark(heard.message, id, taken, rows=True)
            return
        try:
            text = await self._give(id, "", taxon if what == "is" else what, heard.name)
        except ChatkeyError as error:
            if isinstance(error, StoreUnavailableError):
                raise
            await self.channel.answer(heard.callback_id, script.say("desk_late"))
            return
        await self.channel.answer(heard.callback_id, script.say("desk_sent"))
        await self._mark(heard.message, id, script.say("desk_answered", name=heard.name, text=text))

    async def _answer(self, heard: Heard, id: int) -> None:
        """A reply to what was told: words, with "it is NAME" before them where the steward names it."""
        named = IT_IS.match(heard.text)
        verdict = named[1].strip() if named else "none"
        words = heard.text[named.end() :].strip() if named else heard.text
        try:
            text = await self._give(id, words, verdict, heard.name)
        except ChatkeyError as error:
            if isinstance(error, StoreUnavailableError):
                raise
            await self._refuse(heard, error)
            return
        await self._mark(heard.reply_to or 0, id, self.mind.script.say("desk_answered", name=heard.name, text=text))

    async def _give(self, id: int, text: str, verdict: str, by: str) -> str:
        keeper, now = self.running.keeper, self.running.clock()
        given = {"text": text, "verdict": verdict, "by": by}
        answered = await keeper.db(give_answer, keeper.store, self.mind, self.writing, id, **given, now=now)
        self.running.post.posted()
        return answered.text

    async def _refuse(self, heard: Heard, error: ChatkeyError) -> None:
        where, what, mend = error.args
        script = self.mind.script
        is_late = isinstance(error, StoreError) or what in ("is answered", "is closed")
        text = (
            script.say("desk_late")
            if is_late
            else script.say("desk_refused", what=f"{where} {what}", mend=capital(mend))
        )
        keeper = self.running.keeper
        letter = Letter(to_text(replace(compose_text(text, script), reply_to=heard.message)), kind="notice")
        await keeper.db(queue.note_to, keeper.store, NAME, str(self.chat), letter, self.running.clock())
        self.running.post.posted()

    async def _mark(self, message: int, id: int, line: str, *, rows: bool = False) -> None:
        """What became of an entry, below what was told of it; without buttons once it is answered."""
        keeper = self.running.keeper
        told = self._posts.get(id)
        if told is None:
            try:
                told = self._told(await keeper.look(queue.entry, keeper.store, id))
            except StoreError:
                return
        text = f"{told.html}\n\n<i>{html.escape(line, quote=False)}</i>"
        kept = tuple(row for row in told.rows if not any(":take" in button.data for button in row)) if rows else ()
        task = asyncio.create_task(self._edit(message, Outgoing(text, kept)))  # nobody waits for it
        self._edits.add(task)
        task.add_done_callback(self._edits.discard)

    async def _edit(self, message: int, marked: Outgoing) -> None:
        for _ in range(EDIT_TRIES):
            delivery = await self.channel.edit(Address(self.chat), message, marked)
            if delivery.outcome not in ("paced", "later"):
                return
            await either(self.running.stopping, delivery.wait_s)

    def _letters(self, given: Given) -> list[Letter]:
        told = self._told(given)
        self._posts[given.id] = told
        if len(self._posts) > 1000:
            self._posts.pop(next(iter(self._posts)))
        below = self.mind.script.say("desk_photo", id=str(given.id))
        photos = [Letter(to_text(Outgoing(below, photo=photo)), kind="notice") for photo in given.photos]
        return [Letter(to_text(told), kind="notice"), *photos]

    def _told(self, given: Given) -> Outgoing:
        """One entry as the group reads it, with a button for each verdict."""
        view = entry_view(self.mind, given)
        script = self.mind.script
        text = f"{page(view)}\n\n{script.say('desk_how')}"
        return replace(compose_text(text, script), rows=self._rows(view), rest="")

    def _rows(self, view: Mapping[str, Any]) -> tuple[tuple[Button, ...], ...]:
        id, script, answer = view["id"], self.mind.script, view.get("answer")
        named = answer["taxon"] if answer else ""
        likely = [one for one in view.get("candidates", ()) if one["taxon"] != named][:MOST_NAMED]
        ids = {taxon.name: taxon_id for taxon_id, taxon in self.mind.knowledge.taxa.items()}  # a name has blanks
        right = [Button(script.say("desk_right", name=answer["common_name"]), f"d:{id}:right")] if answer else []
        others = [
            Button(script.say("desk_is", name=one["common_name"]), f"d:{id}:is:{ids[one['taxon']]}")
            for one in likely
            if one["probability"] >= WORTH_A_BUTTON
        ]
        last = (
            Button(script.say("desk_other"), f"d:{id}:other"),
            Button(script.say("desk_unknown"), f"d:{id}:unknown"),
        )
        take = (Button(script.say("desk_take"), f"d:{id}:take"),)
        return (*((button,) for button in (*right, *others)), last, take)
