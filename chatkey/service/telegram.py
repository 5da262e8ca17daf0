"""Telegram's door: each update is kept before the next is asked for, whether we ask for them or are called."""

from __future__ import annotations

import asyncio
import time
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import structlog
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from telegram import Update

from chatkey.channels.base import ChannelError, Delivery
from chatkey.channels.telegram.address import read_address
from chatkey.channels.telegram.client import (
    NAME,
    TelegramChannel,
    begin,
    check_secret,
    is_from_telegram,
    open_bot,
    poll,
    read_webhook,
)
from chatkey.channels.telegram.messages import Outgoing
from chatkey.channels.telegram.pacing import Pace
from chatkey.channels.telegram.updates import Heard, Identity, read_update
from chatkey.dialog import Mind
from chatkey.dialog.script import Script
from chatkey.service.keeper import either
from chatkey.service.limits import Limits, body_of
from chatkey.service.running import Running
from chatkey.service.settings import LimitSettings, Settings, TelegramSettings
from chatkey.service.stewards_group import StewardsGroup
from chatkey.store.engine import StoreUnavailableError
from chatkey.store.erase import move_address
from chatkey.store.messages import Inbound, Letter
from chatkey.store.outbox import post_notice, sent_since

PATH = "/telegram/in"
PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
READER_LETTERS = 12  # of the mark that tells readers apart: 48 bits
MOST_ALBUMS = 1000  # kept in mind
EDIT_TRIES = 4  # of the mark at a question that was answered
LONGEST_EDIT_WAIT_S = 30.0

log = structlog.get_logger()


@dataclass(slots=True, eq=False)
class Nodding:
    """The channel with its small signs: a button that was felt, a question marked with its answer."""

    channel: TelegramChannel

    async def send(self, address: str, text: str) -> Delivery:
        """One letter."""
        return await self.channel.send(address, text)

    async def nod(self, address: str, nod: Mapping[str, Any]) -> None:
        """Ends a button's waiting; then marks its message, where the chat has room beside its replies."""
        await self.channel.answer(str(nod["callback"]), str(nod.get("says", "")))
        message, where = int(nod.get("message", 0)), read_address(address)
        if not message or not nod.get("html"):
            return
        for _ in range(EDIT_TRIES):
            await asyncio.sleep(PAUSE_S)  # the reply goes first
            if not self.channel.pace.has_room(where.chat):
                return
            marked = await self.channel.edit(where, message, Outgoing(str(nod["html"])))
            if marked.outcome != "paced" or marked.wait_s > LONGEST_EDIT_WAIT_S:
                return
            await asyncio.sleep(marked.wait_s)


@dataclass(slots=True, eq=False)
class TelegramDoor:
    """Updates in: kept, refused, or left alone where they are not for us."""

    running: Running
    channel: TelegramChannel
    script: Script
    stewards: StewardsGroup | None
    limits: Limits
    settings: LimitSettings
    too_many: str
    webhook: str = ""  # our address as Telegram sees it; "": we ask
    secret: str = ""
    _identity: Identity | None = None
    _albums: OrderedDict[str, None] = field(default_factory=OrderedDict)

    async def begin(self) -> None:
        """Who we are, as Telegram says; asked again until it answers. A token that it refuses is said in the log."""
        pause = PAUSE_S
        while self._identity is None and not self.running.stopping.is_set():
            try:
                scripts = {self.script.language: self.script}
                self._identity = await begin(self.channel.bot, scripts, webhook=self.webhook, secret=self.secret)
                log.info("telegram", by="webhook" if self.webhook else "polling")
            except ChannelError as error:
                log.error("telegram_not_reached", what=error.args[1], mend=error.args[2])
                await either(self.running.stopping, pause)
                pause = min(2 * pause, LONGEST_PAUSE_S)

    async def recall(self) -> None:
        """What was sent within the last minute, so that the pace is kept over a restart."""
        keeper, now = self.running.keeper, self.running.clock()
        group_s = self.channel.pace.limits.group_s
        try:
            sent = await keeper.look(sent_since, keeper.store, NAME, now - group_s)
        except StoreUnavailableError:
            sent = []
        stewards = self.stewards.chat if self.stewards is not None else 0
        chats = [
            (read_address(keeper.store.seal.open(NAME, sealed)).chat if sealed else stewards, max(0.0, now - at))
            for at, sealed in sent
            if sealed or stewards
        ]
        self.channel.pace.recall(chats)

    async def fetch(self) -> None:
        """Asks for updates for as long as we serve; the next are asked for when these are kept."""
        await self.begin()
        offset = 0
        if self.webhook:
            await self.running.stopping.wait()
        while not self.running.stopping.is_set():
            asked = asyncio.ensure_future(poll(self.channel.bot, offset))
            ending = asyncio.ensure_future(self.running.stopping.wait())
            await asyncio.wait({asked, ending}, return_when=asyncio.FIRST_COMPLETED)
            ending.cancel()
            if not asked.done():
                asked.cancel()
                return
            try:
                polled = asked.result()
            except ChannelError as error:
                log.error("telegram_not_reached", what=error.args[1], mend=error.args[2])
                await either(self.running.stopping, LONGEST_PAUSE_S)
                continue
            if polled.trouble:
                log.warning("telegram_waits", trouble=polled.trouble)
            for update in polled.updates:
                await self._keep(update)
            offset = polled.offset
            if polled.wait_s:
                await either(self.running.stopping, polled.wait_s)

    async def __call__(self, request: Request) -> Response:
        """One call of the webhook."""
        if request.method != "POST":
            return self._respond(405)
        headers = {name.lower(): value for name, value in request.headers.items()}
        if not is_from_telegram(headers, self.secret):
            return self._respond(403)
        if self._identity is None:
            return self._respond(503)
        if not self.limits.all_is_well():
            return self._respond(429)  # it comes again
        try:
            body = await body_of(request, max(self.settings.body_bytes, 65_536))
        except ClientDisconnect:
            return self._respond(400)
        if body is None:
            return self._respond(413)
        try:
            update = read_webhook(self.channel.bot, body)
            if update is not None:
                await self.take(update)
        except ChannelError:
            return self._respond(400)
        except StoreUnavailableError as error:
            log.error("store_unavailable", at="receive", what=error.args[1])
            return self._respond(503)
        return self._respond(200)

    async def _keep(self, update: Update) -> None:
        """Keeps one update, however long the store is away."""
        pause = PAUSE_S
        while not self.running.stopping.is_set():
            try:
                await self.take(update)
                return
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="receive", what=error.args[1])
                await either(self.running.stopping, pause)
                pause = min(2 * pause, LONGEST_PAUSE_S)
        raise asyncio.CancelledError  # it was not kept: it is not to be told as taken

    async def take(self, update: Update) -> None:
        """One update. Raises StoreUnavailableError: then nothing of it was kept."""
        assert self._identity is not None
        heard = read_update(update, self._identity, self.script.tables["telegram_commands"])
        if heard is None or not heard.addressed:
            return
        if heard.kind == "migrated":
            await self._move(heard)
        elif self.stewards is not None and heard.chat == self.stewards.chat:
            await self.stewards.hear(heard)
        else:
            await self._take(heard)

    async def _take(self, heard: Heard) -> None:
        keeper, address = self.running.keeper, str(heard.address)
        mark = keeper.store.seal.mark("limit", NAME, str(heard.chat), heard.reader)
        muted = not self.limits.sender_is_well(mark)
        received = await self.running.take(
            Inbound(
                NAME,
                heard.external_id,
                address,
                heard.label or heard.text,
                reader=keeper.store.seal.mark("reader", NAME, str(heard.chat), heard.reader)[:READER_LETTERS],
                about=self._about(heard),
                posted_as=heard.message if heard.kind != "button" else None,
                muted=muted,
                most_a_day=None if heard.is_group else self.settings.sender_a_day,
            )
        )
        if received.is_muted and received.conversation is not None and self.limits.may_be_told(mark):
            notice = Letter(self.too_many, kind="notice")
            await keeper.db(post_notice, keeper.store, received.conversation, notice, self.running.clock())
            self.running.post.posted()
        if heard.kind == "button" and (not received.is_new or received.is_muted):
            await self.channel.answer(heard.callback_id)

    def _about(self, heard: Heard) -> dict[str, Any]:
        """What the talk is told beside the words; of people nothing but a first name, and that in a group alone."""
        found: dict[str, Any] = {"kind": heard.kind}
        if heard.is_group:
            found |= {"crew": True, "name": heard.name}
        replies_to = heard.message if heard.kind == "button" else heard.reply_to
        found |= {"replies_to": replies_to} if replies_to else {}
        found |= {"is_edit": True} if heard.kind == "edited" else {}
        if heard.kind == "button":
            found |= {"callback": heard.callback_id, "data": heard.data, "label": heard.label}
            found |= {"shown": heard.shown, "message": heard.message}
        if heard.photo_id:
            found |= {"photo": heard.photo_id, "is_more": self._is_of_album(heard)}
        return found

    def _is_of_album(self, heard: Heard) -> bool:
        """One of several photos sent together, and not the first."""
        if not heard.album:
            return False
        known = heard.album in self._albums
        self._albums[heard.album] = None
        if len(self._albums) > MOST_ALBUMS:
            self._albums.popitem(last=False)
        return known

    async def _move(self, heard: Heard) -> None:
        keeper, new = self.running.keeper, str(heard.moved_to)
        await keeper.db(move_address, keeper.store, NAME, str(heard.chat), new, self.running.clock())
        if self.stewards is not None and heard.chat == self.stewards.chat and heard.moved_to is not None:
            self.stewards.moved(heard.moved_to)

    def _respond(self, status: int) -> Response:
        if status != 200:
            self.running.metrics.refused.labels(str(status)).inc()
        return PlainTextResponse("", status, {"Retry-After": "5"} if status in (429, 503) else {})


@dataclass(slots=True, eq=False)
class Telegram:
    """Our bot in one serving process: the way out, and once it is joined the doors in."""

    channel: TelegramChannel
    settings: TelegramSettings
    sender: Nodding

    def join(
        self, settings: Settings, running: Running, mind: Mind, limits: Limits, too_many: str
    ) -> Mapping[str, TelegramDoor]:
        """Its loops among those of the process; its door by its path, where Telegram calls us. Raises ChannelError."""
        own, group = self.settings, None
        if own.stewards:
            group = StewardsGroup(running, self.channel, mind, running.frame.channels, own.stewards)
            running.tasks.append(group.tell)
        webhook = webhook_of(settings)
        door = TelegramDoor(
            running,
            self.channel,
            mind.script,
            group,
            limits,
            settings.limits,
            too_many,
            webhook=webhook,
            secret=own.secret.get_secret_value(),
        )
        running.first.append(door.recall)
        running.tasks.append(door.fetch)
        return {PATH: door} if webhook else {}

    async def close(self) -> None:
        """Ends the client."""
        await self.channel.bot.shutdown()


def open_telegram(settings: TelegramSettings) -> Telegram:
    """Our bot, not yet at work. Raises ChannelError."""
    token = settings.token.get_secret_value()
    if not token:
        raise ChannelError("telegram", "has no token", "set CHATKEY_TELEGRAM__TOKEN to the one that you were given")
    channel = TelegramChannel(open_bot(token, settings.api), Pace(time.monotonic))
    return Telegram(channel, settings, Nodding(channel))


def webhook_of(settings: Settings) -> str:
    """Our address as Telegram is to call it; "" where we ask it. Raises ChannelError."""
    secret = settings.telegram.secret.get_secret_value() if settings.telegram is not None else ""
    if not secret:
        return ""
    check_secret(secret)
    if not settings.public_url:
        mend = "set public_url to our address, without its path, or take the secret away: then we ask Telegram"
        raise ChannelError("telegram", "has a secret for its webhook, and no address", mend)
    return settings.public_url.rstrip("/") + PATH
