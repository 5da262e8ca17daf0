"""Telegram's outside: messages out with what became of them, updates in by polling or by a webhook."""

from __future__ import annotations

import hmac
import json
import logging
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Literal
from urllib.parse import urlencode

from telegram import Bot, InlineKeyboardButton, InlineKeyboardMarkup, LinkPreviewOptions, Message, Update
from telegram.constants import ParseMode
from telegram.error import (
    BadRequest,
    ChatMigrated,
    Conflict,
    Forbidden,
    InvalidToken,
    RetryAfter,
    TelegramError,
)
from telegram.request import HTTPXRequest

from chatkey.channels.base import ChannelError, Delivery
from chatkey.channels.telegram.address import Address, read_address
from chatkey.channels.telegram.commands import menu
from chatkey.channels.telegram.messages import Button, Outgoing, from_text, within
from chatkey.channels.telegram.pacing import Pace
from chatkey.channels.telegram.updates import UNREADABLE, Identity
from chatkey.dialog.script import Script

NAME = "telegram"
SECRET_HEADER = "x-telegram-bot-api-secret-token"
SECRET = re.compile(r"[A-Za-z0-9_-]{1,256}", re.ASCII)
WANTED = ("message", "edited_message", "callback_query", "my_chat_member")
TIMEOUT_S = 10.0
POLL_S = 25  # how long Telegram holds a poll open
MOST_UPDATES = 100
PAUSE_S = 5.0  # after a fault of the network, or where another one polls
LONGEST_ANSWER = 200  # letters in the answer to a button
LARGEST_FILE = 20 * 2**20  # bytes; Telegram gives bots no larger ones


@dataclass(frozen=True, slots=True)
class Polled:
    """What a poll brought and where the next one begins. `wait_s` is the pause before it: something was in the way."""

    updates: tuple[Update, ...]
    offset: int
    wait_s: float = 0.0
    trouble: Literal["", "flood", "conflict", "network"] = ""


def open_bot(token: str, base_url: str = "https://api.telegram.org") -> Bot:
    """The client, not yet at work: `begin` it, and end it with its `shutdown`.

    Its own log and that of httpx hold the token and finders' words: they are kept to nothing and to warnings.
    """
    os.environ["PTB_TIMEDELTA"] = "1"  # else each "retry after" is a warning
    logging.getLogger("httpx").setLevel(logging.WARNING)
    logging.getLogger("telegram").setLevel(logging.CRITICAL + 1)
    base = base_url.rstrip("/")
    try:
        return Bot(token, f"{base}/bot", f"{base}/file/bot", _requests(64), _requests(1))
    except InvalidToken:
        raise _bad_token() from None


async def begin(bot: Bot, scripts: Mapping[str, Script], *, webhook: str = "", secret: str = "") -> Identity:
    """Who we are, with Telegram told our commands in each language and how it shall bring updates: to the webhook's
    address, or with none for us to fetch. Raises ChannelError where that can't be. `scripts`: language -> script, the
    first for all other languages too."""
    if webhook:
        check_secret(secret)
    try:
        await bot.initialize()
        for n, (language, script) in enumerate(scripts.items()):
            await bot.set_my_commands(menu(script), language_code=language)
            if n == 0:
                await bot.set_my_commands(menu(script))
        if webhook:
            await bot.set_webhook(webhook, allowed_updates=WANTED, secret_token=secret)
        else:
            await bot.delete_webhook()
    except InvalidToken:
        raise _bad_token() from None
    except TelegramError as error:
        raise ChannelError(
            "telegram", f"did not take the settings ({_what(error)})", "see that it can be reached"
        ) from None
    return Identity(bot.id, bot.username)


@dataclass(frozen=True, slots=True, eq=False)
class TelegramChannel:
    """One bot and its pace. Nothing here waits for its turn: who is too early is told how long to wait."""

    bot: Bot
    pace: Pace

    async def send(self, address: str, text: str) -> Delivery:
        """Sends a message that was made a text (`to_text`). Raises ChannelError for an address that is none."""
        return await self.send_message(read_address(address), from_text(text))

    async def send_message(self, address: Address, outgoing: Outgoing) -> Delivery:
        """Sends one message, as a reply where it is one and what it replies to is still there."""
        if not (outgoing.html or outgoing.file or outgoing.photo):
            return Delivery("refused")
        if wait := self._must_wait(address):
            return wait
        try:
            message = await self._send(address, outgoing)
        except TelegramError as error:
            return self._delivery(error, address)
        return Delivery("sent", message.message_id)

    async def _send(self, address: Address, outgoing: Outgoing) -> Message:
        where: dict[str, Any] = {
            "parse_mode": ParseMode.HTML,
            "message_thread_id": address.topic,
            "reply_markup": _markup(outgoing.rows),
            "reply_to_message_id": outgoing.reply_to or None,
            "allow_sending_without_reply": True,
        }
        if outgoing.file is not None:
            name, text = outgoing.file
            below = outgoing.html or None
            return await self.bot.send_document(address.chat, text.encode(), below, filename=name, **where)
        if outgoing.photo:
            return await self.bot.send_photo(address.chat, outgoing.photo, outgoing.html or None, **where)
        plain = LinkPreviewOptions(is_disabled=True)
        return await self.bot.send_message(address.chat, outgoing.html, link_preview_options=plain, **where)

    async def edit(self, address: Address, message: int, outgoing: Outgoing) -> Delivery:
        """Puts other words and buttons in the place of a message. "Not modified" is as good as sent."""
        if wait := self._must_wait(address):
            return wait
        try:
            await self.bot.edit_message_text(
                outgoing.html,
                address.chat,
                message,
                parse_mode=ParseMode.HTML,
                reply_markup=_markup(outgoing.rows),
                link_preview_options=LinkPreviewOptions(is_disabled=True),
            )
        except TelegramError as error:
            return self._delivery(error, address, message)
        return Delivery("sent", message)

    async def take_buttons(self, address: Address, message: int) -> Delivery:
        """Takes the buttons away from a message whose question is over."""
        if wait := self._must_wait(address):
            return wait
        try:
            await self.bot.edit_message_reply_markup(address.chat, message, reply_markup=None)
        except TelegramError as error:
            return self._delivery(error, address, message)
        return Delivery("sent", message)

    async def answer(self, callback_id: str, text: str = "") -> bool:
        """Ends the waiting of a button that was pressed, with a line or with none; False where it is too late for it or
        Telegram is away, which hurts nobody. To be called for each button that was pressed."""
        try:
            return await self.bot.answer_callback_query(callback_id, within(text, LONGEST_ANSWER) or None)
        except TelegramError:
            return False

    async def typing(self, address: Address) -> bool:
        """Shows that a reply is on its way; False where that could not be."""
        try:
            return await self.bot.send_chat_action(address.chat, "typing", message_thread_id=address.topic)
        except TelegramError:
            return False

    async def photo(self, file_id: str) -> bytes | None:
        """A finder's photo for a steward who asks for it; None where it is too large or not there any more."""
        try:
            file = await self.bot.get_file(file_id)
            return bytes(await file.download_as_bytearray()) if (file.file_size or 0) <= LARGEST_FILE else None
        except TelegramError:
            return None

    def _must_wait(self, address: Address) -> Delivery | None:
        wait_s = self.pace.wait(address.chat)
        if wait_s > 0:
            return Delivery("paced", wait_s=wait_s)
        self.pace.sent(address.chat)
        return None

    def _delivery(self, error: TelegramError, address: Address, message: int = 0) -> Delivery:
        """What an error means for the message. A network fault may have come after it was sent: rather twice than
        never."""
        if isinstance(error, RetryAfter):
            wait_s = _seconds(error.retry_after)
            self.pace.hold(address.chat, wait_s)
            return Delivery("paced", wait_s=wait_s)
        if isinstance(error, ChatMigrated):
            return Delivery("moved", moved_to=str(Address(error.new_chat_id)))  # a new group begins without topics
        if isinstance(error, Forbidden):
            return Delivery("stopped")
        if isinstance(error, BadRequest):  # a kind of NetworkError there
            return Delivery("sent", message) if "not modified" in error.message else Delivery("refused")
        return Delivery("later", wait_s=PAUSE_S)


async def poll(bot: Bot, offset: int = 0, *, hold_s: int = POLL_S) -> Polled:
    """The next updates, as soon as there are any; those before `offset` are told to be taken, so keep them first.

    An update of a shape that nobody knows is passed over. Where a webhook is still set it is taken away. Raises
    ChannelError where the token is refused.
    """
    asked = {"offset": offset, "timeout": hold_s, "limit": MOST_UPDATES, "allowed_updates": json.dumps(WANTED)}
    try:  # not by `get_updates`: one update that it can't read would keep all others from us for ever
        url = f"{bot.base_url}/getUpdates?{urlencode(asked)}"
        raw = await bot.request.post(url, read_timeout=hold_s + TIMEOUT_S)
    except RetryAfter as error:
        return Polled((), offset, _seconds(error.retry_after), "flood")
    except Conflict:
        await _end_webhook(bot)
        return Polled((), offset, PAUSE_S, "conflict")
    except InvalidToken:
        raise _bad_token() from None
    except TelegramError:
        return Polled((), offset, PAUSE_S, "network")
    return _polled(bot, raw, offset)


def is_from_telegram(headers: Mapping[str, str], secret: str) -> bool:
    """Whether a call of the webhook bears our secret. The names of headers are in lower case."""
    given = headers.get(SECRET_HEADER, "").encode("utf-8", "replace")
    return bool(secret) and hmac.compare_digest(given, secret.encode())


def read_webhook(bot: Bot, body: bytes) -> Update | None:
    """The update in the body of a webhook's call; None for one of a shape that nobody knows, which is to be answered as
    taken, or it comes again and again. Raises ChannelError for what is no update at all."""
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or not isinstance(found.get("update_id"), int):
        raise ChannelError("webhook", "was called with what is no update", "see who calls it")
    return _update(bot, found)


def check_secret(secret: str) -> None:
    """Nothing where the webhook's secret is of a kind that Telegram takes; else raises ChannelError."""
    if not SECRET.fullmatch(secret):
        raise ChannelError("webhook's secret", "is none that Telegram takes", "use 1 to 256 of A-Z a-z 0-9 _ -")


def _requests(connections: int) -> HTTPXRequest:
    return HTTPXRequest(
        connection_pool_size=connections,
        read_timeout=TIMEOUT_S,
        write_timeout=TIMEOUT_S,
        connect_timeout=TIMEOUT_S,
        pool_timeout=TIMEOUT_S,
        httpx_kwargs={"trust_env": False},
    )


async def _end_webhook(bot: Bot) -> None:
    try:
        if (await bot.get_webhook_info()).url:
            await bot.delete_webhook()
    except TelegramError:
        pass  # the next poll meets it again


def _polled(bot: Bot, raw: object, offset: int) -> Polled:
    found = [one for one in raw if isinstance(one, dict)] if isinstance(raw, list) else []
    ids = [one["update_id"] for one in found if isinstance(one.get("update_id"), int)]
    updates = (_update(bot, one) for one in found)
    return Polled(tuple(update for update in updates if update), max(ids) + 1 if ids else offset)


def _update(bot: Bot, found: dict[str, object]) -> Update | None:
    try:
        return Update.de_json(found, bot)
    except UNREADABLE:
        return None


def _markup(rows: tuple[tuple[Button, ...], ...]) -> InlineKeyboardMarkup | None:
    if not rows:
        return None
    return InlineKeyboardMarkup(
        [[InlineKeyboardButton(button.label, callback_data=button.data) for button in row] for row in rows]
    )


def _seconds(wait: int | float | timedelta) -> float:
    return wait.total_seconds() if isinstance(wait, timedelta) else float(wait)


def _bad_token() -> ChannelError:
    return ChannelError("telegram", "does not know the token", "copy it whole from the chat in which the bot was made")


def _what(error: TelegramError) -> str:
    """Its kind alone: messages may hold addresses with the token."""
    return type(error).__name__
