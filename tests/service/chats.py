"""People in Telegram's chats who talk to a serving application, over a Bot API on the loopback and our real client."""

from __future__ import annotations

import base64
import contextlib
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from bot_updates import ANA, message, pressed, reply_to
from botapi import TOKEN, BotApi, bot_api
from databases import KEY
from pydantic import SecretStr
from sqlalchemy import select
from starlette.testclient import TestClient

from chatkey.channels.telegram.pacing import Limits
from chatkey.dialog import Conversation, Mind, from_json
from chatkey.service.serve import build, store_of
from chatkey.service.settings import LimitSettings, Settings, TelegramSettings
from chatkey.store import Store
from chatkey.store.inbox import is_waiting
from chatkey.store.schema import conversations, inbox

STEWARDS = -2002
DANA = 104
PATIENCE_S = 20.0
NO_LIMITS = Limits(chat_s=0, group_most=10**6, all_most=10**6, spare_s=0)


def telegram_settings(folder: Path, api: BotApi, *, secret: str = "", **changed: Any) -> Settings:
    """A group that is reached by Telegram alone; with a secret Telegram calls us."""
    own = TelegramSettings(token=SecretStr(TOKEN), stewards=STEWARDS, api=api.url, secret=SecretStr(secret))
    return Settings(
        group="Larkwater Stewards",
        store=str(folder / "chatkey.db"),
        key=SecretStr(base64.b64encode(KEY).decode()),
        place="MI",
        thinkers=0,
        telegram=own,
        limits=LimitSettings(sender_a_minute=500, sender_a_day=5000),
        **changed,
    )


@dataclass(slots=True)
class Chats:
    """What people write and press, and what arrives in their chats."""

    api: BotApi
    client: TestClient
    settings: Settings
    mind: Mind
    seen: dict[int, int] = field(default_factory=dict)

    def arrived(self, chat: int) -> list[dict[str, Any]]:
        """What we sent into a chat, in order, as it stands there now."""
        return [one for (at, _), one in list(self.api.messages.items()) if at == chat]

    def next(self, chat: int = ANA) -> dict[str, Any]:
        """The next message that arrives in a chat. Raises AssertionError where none comes."""
        n = self.seen[chat] = self.seen.get(chat, 0) + 1
        until = time.monotonic() + PATIENCE_S
        while len(found := self.arrived(chat)) < n:
            assert time.monotonic() < until, f"{n - 1} messages came, not {n}"
            time.sleep(0.005)
        self.settle()
        return found[n - 1]

    def settle(self) -> None:
        """Until all that was written is thought about, sent and written down."""
        running = self.client.app.state.running
        until = time.monotonic() + PATIENCE_S
        while (
            self.api.updates
            or running._in_hand
            or running.post.handed
            or self.client.portal.call(running.keeper.look, is_waiting, running.keeper.store)
            or not self.client.portal.call(running.post.is_done)
        ):
            assert time.monotonic() < until, "it does not come to rest"
            time.sleep(0.005)

    def write(self, text: str, reader: int = ANA, chat: int | None = None, to: int = 0, **more: Any) -> dict[str, Any]:
        """One message, as a reply to one of ours where `to` is its number."""
        where = reader if chat is None else chat
        more |= reply_to(where, to) if to else {}
        return self.api.push("message", message(self.api, where, reader, text=text, **more))

    def say(self, text: str, reader: int = ANA, chat: int | None = None, to: int = 0, **more: Any) -> str:
        """One message, and the words of the next that arrives there."""
        self.write(text, reader, chat, to, **more)
        return words(self.next(reader if chat is None else chat))

    def silence(self, text: str, reader: int = ANA, chat: int | None = None, to: int = 0, **more: Any) -> None:
        """One message that gets no answer."""
        where = reader if chat is None else chat
        before = len(self.arrived(where))
        self.write(text, reader, chat, to, **more)
        self.settle()
        assert len(self.arrived(where)) == before, words(self.arrived(where)[-1])

    def press(self, label: str, on: dict[str, Any], reader: int = ANA, **more: Any) -> str:
        """The button of a message that begins so; the id of the press."""
        rows = on["reply_markup"]["inline_keyboard"]
        data = next(button["callback_data"] for row in rows for button in row if button["text"].startswith(label))
        return str(pressed(self.api, data, on, reader, **more)["callback_query"]["id"])

    def felt(self, press: str) -> str:
        """What was said to who pressed a button, "" where nothing."""
        until = time.monotonic() + PATIENCE_S
        while not (
            calls := [one for one in self.api.of("answerCallbackQuery") if one.args["callback_query_id"] == press]
        ):
            assert time.monotonic() < until, "the button still waits"
            time.sleep(0.005)
        return calls[0].args.get("text", "")

    def store(self) -> Store:
        return store_of(self.settings)

    def talk(self, chat: int | str) -> Conversation:
        """The conversation of a chat as it is kept; an empty one where none is."""
        with contextlib.closing(self.store()) as store, store.read() as connection:
            mark = store.seal.mark("address", "telegram", str(chat))
            state = connection.scalar(select(conversations.c.state).where(conversations.c.mark == mark))
        return from_json(json.loads(state)) if state else Conversation()

    def kept(self) -> list[Any]:
        """The rows of messages that were kept."""
        with contextlib.closing(self.store()) as store, store.read() as connection:
            return list(connection.execute(inbox.select().order_by(inbox.c.id)))


def words(message: dict[str, Any]) -> str:
    """What stands in a message."""
    return str(message.get("text") or message.get("caption") or "")


def buttons(message: dict[str, Any]) -> list[str]:
    """The labels under a message."""
    rows = message.get("reply_markup", {}).get("inline_keyboard", ())
    return [button["text"] for row in rows for button in row]


@contextlib.contextmanager
def opened_chats(
    folder: Path, mind: Mind, *, paced: bool = False, api: BotApi | None = None, **changed: Any
) -> Iterator[Chats]:
    """A serving application and the Bot API before it."""
    with contextlib.ExitStack() as stack:
        found = api if api is not None else stack.enter_context(bot_api(keeps_pace=paced))
        settings = telegram_settings(folder, found, **changed)
        app = build(settings, partial(_same, mind), time.time)
        if not paced:
            app.state.running.post.senders["telegram"].channel.pace.limits = NO_LIMITS
        client = stack.enter_context(TestClient(app, client=("127.0.0.1", 50000)))
        yield Chats(found, client, settings, mind)


def _same(mind: Mind) -> Mind:
    return mind
