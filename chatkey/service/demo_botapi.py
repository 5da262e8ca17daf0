"""Telegram's side of the demo: takes the bot's calls on the loopback as the real one does, and keeps its messages."""

from __future__ import annotations

import asyncio
import contextlib
import html
import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from email import message_from_bytes
from typing import Any
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route

from chatkey.channels.telegram.messages import units

TOKEN = "1:DEMO"
BOT: Mapping[str, Any] = {"id": 1, "is_bot": True, "first_name": "Larkwater key", "username": "larkwater_key_bot"}
LONGEST_HOLD_S = 5.0  # of a poll that nothing comes for
CHAT_S = 1.0  # between two messages of the bot in one chat: what comes sooner is refused
TAG = re.compile(r"<(/?)([bi])>")
KINDS = {"b": "bold", "i": "italic"}
Args = Mapping[str, str]
Message = dict[str, Any]


@dataclass(slots=True)
class Network:
    """What people write waits here for the bot; what the bot says is kept by chat. `clock` gives the time."""

    clock: Callable[[], float]
    messages: dict[int, list[Message]] = field(default_factory=lambda: defaultdict(list))  # the bot's, by chat
    arrived: dict[int, asyncio.Queue[Message]] = field(default_factory=lambda: defaultdict(asyncio.Queue))
    edited: dict[int, asyncio.Queue[Message]] = field(default_factory=lambda: defaultdict(asyncio.Queue))
    felt: asyncio.Queue[str] = field(default_factory=asyncio.Queue)  # what is said to who pressed a button
    _updates: list[dict[str, Any]] = field(default_factory=list)
    _came: asyncio.Event = field(default_factory=asyncio.Event)
    _counts: Counter[object] = field(default_factory=Counter)
    _next_at: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    def app(self) -> Starlette:
        """Where the bot calls."""
        return Starlette(routes=[Route("/bot{token}/{method}", self._call, methods=["GET", "POST"])])

    @property
    def sent(self) -> int:
        """How many messages the bot sent."""
        return sum(len(chat) for chat in self.messages.values())

    def write(self, chat: int, person: Mapping[str, Any], text: str, replies_to: Message | None = None) -> None:
        """A person's message in a group, marked as the network marks it."""
        command = {"type": "bot_command", "offset": 0, "length": units(text.split()[0])}
        message = {**self._stamp(chat), "from": person, "text": text}
        message |= {"entities": [command]} if text.startswith("/") else {}
        message |= {"reply_to_message": replies_to} if replies_to else {}
        self._push("message", message)

    def press(self, person: Mapping[str, Any], message: Message, data: str) -> None:
        """A button of one of the bot's messages."""
        self._counts["press"] += 1
        query = {"id": str(self._counts["press"]), "from": person, "chat_instance": "demo"}
        self._push("callback_query", {**query, "message": message, "data": data})

    def _push(self, kind: str, content: Mapping[str, Any]) -> None:
        self._counts["update"] += 1
        self._updates.append({"update_id": self._counts["update"], kind: content})
        self._came.set()

    def _stamp(self, chat: int) -> Message:
        """What every message bears."""
        self._counts[chat] += 1
        where = {"id": chat, "type": "supergroup", "title": "The Larkwater Stewards"}
        return {"message_id": self._counts[chat], "date": int(self.clock()), "chat": where}

    async def _call(self, request: Request) -> JSONResponse:
        args, method = await _arguments(request), request.path_params["method"]
        if request.path_params["token"] != TOKEN:
            return _refusal(401, "Unauthorized")
        if method == "getUpdates":
            return _result(await self._get_updates(args))
        answers: Mapping[str, Callable[[Args], Any]] = {
            "getMe": lambda _: BOT,
            "deleteWebhook": lambda _: True,
            "setMyCommands": lambda _: True,
            "sendChatAction": lambda _: True,
            "sendMessage": self._send,
            "sendDocument": self._send,
            "editMessageText": self._edit,
            "editMessageReplyMarkup": self._edit,
            "answerCallbackQuery": self._answer,
        }
        if method not in answers:
            return _refusal(404, "Not Found: method not found")
        if method in ("sendMessage", "sendDocument") and self._is_early(int(args["chat_id"])):
            return _refusal(429, "Too Many Requests: retry after 1", retry_after=1)
        found = answers[method](args)
        return _refusal(400, "Bad Request: message to edit not found") if found is None else _result(found)

    async def _get_updates(self, args: Args) -> list[dict[str, Any]]:
        """What came since the offset, as soon as there is any; what is older was taken."""
        offset = int(args.get("offset", 0))
        self._updates = [update for update in self._updates if update["update_id"] >= offset]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(min(float(args.get("timeout", 0)), LONGEST_HOLD_S)):
                while not self._updates:
                    self._came.clear()
                    await self._came.wait()
        return list(self._updates)

    def _is_early(self, chat: int) -> bool:
        """The bot sent something there within the last second; else the next second begins."""
        now = asyncio.get_running_loop().time()
        if now < self._next_at[chat]:
            return True
        self._next_at[chat] = now + CHAT_S
        return False

    def _send(self, args: Args) -> Message:
        chat = int(args["chat_id"])
        message = {**self._stamp(chat), "from": BOT, **_words(args), **_keyboard(args)}
        if "document" in args:
            message["document"] = {"file_id": "1", "file_unique_id": "1", "file_name": args["document_name"]}
            message["content"] = args["document"]
        self.messages[chat].append(message)
        self.arrived[chat].put_nowait(message)
        return message

    def _edit(self, args: Args) -> Message | None:
        chat, id = int(args["chat_id"]), int(args["message_id"])
        message = next((one for one in self.messages[chat] if one["message_id"] == id), None)
        if message is not None:
            message.pop("reply_markup", None)
            message |= {**_words(args), **_keyboard(args), "edit_date": int(self.clock())}
            self.edited[chat].put_nowait(message)
        return message

    def _answer(self, args: Args) -> bool:
        self.felt.put_nowait(args.get("text", ""))
        return True


def buttons(message: Message) -> Mapping[str, str]:
    """The buttons under a message: label -> what it carries."""
    rows = message.get("reply_markup", {}).get("inline_keyboard", ())
    return {button["text"]: button["callback_data"] for row in rows for button in row}


def marked(text: str) -> Message:
    """A text in Telegram's HTML as the network keeps it: the plain words, and which of them are bold or slanting."""
    plain, entities, begun = "", [], 0
    for before, closes, tag in _pieces(text):
        plain += html.unescape(before)
        if closes:
            entities.append({"type": KINDS[tag], "offset": begun, "length": units(plain) - begun})
        begun = units(plain)
    return {"text": plain, "entities": entities}


def _pieces(text: str) -> list[tuple[str, bool, str]]:
    """The text between the tags, each piece with the tag after it."""
    found, at = [], 0
    for tag in TAG.finditer(text):
        found.append((text[at : tag.start()], bool(tag[1]), tag[2]))
        at = tag.end()
    return [*found, (text[at:], False, "")]


def _words(args: Args) -> Message:
    return marked(args["text"]) if "text" in args else {}


def _keyboard(args: Args) -> Message:
    return {"reply_markup": json.loads(args["reply_markup"])} if "reply_markup" in args else {}


def _result(result: Any) -> JSONResponse:
    return JSONResponse({"ok": True, "result": result})


def _refusal(status: int, description: str, **parameters: int) -> JSONResponse:
    body = {"ok": False, "error_code": status, "description": description}
    return JSONResponse({**body, "parameters": parameters} if parameters else body, status)


async def _arguments(request: Request) -> Args:
    """The arguments of a call; a file by its content, its name beside it."""
    args, body = dict(request.query_params), await request.body()
    kind = request.headers.get("content-type", "")
    if not kind.startswith("multipart/"):
        return args | dict(parse_qsl(body.decode(), keep_blank_values=True))
    for part in message_from_bytes(f"Content-Type: {kind}\r\n\r\n".encode() + body).walk():
        name, content = part.get_param("name", header="content-disposition"), part.get_payload(decode=True)
        if isinstance(name, str) and isinstance(content, bytes):
            args[name] = content.decode()
            args |= {f"{name}_name": file} if (file := part.get_filename()) else {}
    return args
