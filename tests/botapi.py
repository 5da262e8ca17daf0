"""A Bot API for tests: answers over HTTP on the loopback as the real one does, keeps its limits, fails when told to."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from email import message_from_bytes
from typing import Any
from urllib.parse import parse_qsl

import httpx
import uvicorn
from gateway import listener
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send
from telegram_html import HtmlError, parsed, units

TOKEN = "1:LARKWATER"
BOT: dict[str, Any] = {
    **{"id": 1, "is_bot": True, "first_name": "Larkwater key", "username": "larkwater_key_bot"},
    **{"can_join_groups": True, "can_read_all_group_messages": False, "supports_inline_queries": False},
}
GROUP = -1001
SECRET_HEADER = "X-Telegram-Bot-Api-Secret-Token"
LONGEST_HOLD_S = 5.0  # a long poll is answered after that at the latest
BURST = 3  # so many at once pass in one chat, then one a second
Update = dict[str, Any]


class FailureError(Exception):
    """An answer that is no success: status, description, parameters."""

    def __init__(self, status: int, description: str, **parameters: int) -> None:
        super().__init__(status, description, parameters)


@dataclass(frozen=True, slots=True)
class Call:
    """One call as it came, with its time and the status it got."""

    at: float
    method: str
    args: Mapping[str, str]
    status: int
    files: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def chat(self) -> int:
        return int(self.args.get("chat_id", 0))


class Traffic:
    """The real limits: about one a second in a chat after a small burst, 20 a minute in a group, 30 a second in all."""

    def __init__(self) -> None:
        self.chats: dict[int, deque[float]] = {}
        self.all: deque[float] = deque()

    def wait(self, chat: int, now: float) -> int:
        """0 where a message may pass, and it is counted; else the seconds to wait."""
        sent = self.chats.setdefault(chat, deque(maxlen=20))
        waits = [_wait(sent, BURST, float(BURST), now), _wait(self.all, 30, 1.0, now)]
        if chat < 0:
            waits.append(_wait(sent, 20, 60.0, now))
        if max(waits):
            return max(waits)
        sent.append(now)
        self.all.append(now)
        while self.all and self.all[0] <= now - 1.0:
            self.all.popleft()
        return 0


def _wait(sent: deque[float], most: int, within_s: float, now: float) -> int:
    recent = [at for at in sent if at > now - within_s]
    return 0 if len(recent) < most else max(1, round(recent[-most] + within_s - now + 0.5))


class BotApi:
    """What it was asked, in order, and what a test told it to do."""

    def __init__(self) -> None:
        self.url = ""
        self._came = threading.Condition()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._arrived = asyncio.Event()
        self._poller = 0
        self.begin_anew()

    def begin_anew(self, clock: Callable[[], float] = time.monotonic, *, keeps_pace: bool = False) -> None:
        """Forgets all. `keeps_pace`: what comes too fast by the clock is refused, as the real server does it."""
        self.clock = clock
        self.bot = BOT
        self.traffic = Traffic() if keeps_pace else None
        self.calls: list[Call] = []
        self.updates: list[Update] = []
        self.messages: dict[tuple[int, int], dict[str, Any]] = {}
        self.by_chat: dict[int, list[int]] = {}  # the ids of our messages, in order
        self.files: dict[str, bytes] = {}
        self.webhook: dict[str, str] = {"url": ""}
        self.pushed: list[int] = []  # what the webhook answered
        self.commands: dict[str, list[dict[str, str]]] = {}
        self.blocked: set[int] = set()
        self.unknown: set[int] = set()
        self.closed_topics: set[tuple[int, int]] = set()
        self.migrated: dict[int, int] = {}
        self.kinds: dict[int, str] = {}  # of chats that are no supergroup though their id is below zero
        self.open_queries: set[str] = set()
        self._failing: list[tuple[str, int, str, dict[str, int]]] = []
        self._cutting: list[tuple[str, bool]] = []
        self._next_update, self._next_message = 1, Counter[int]()

    # What a test says and asks.

    def push(self, kind: str, content: dict[str, Any], *, update_id: int = 0) -> Update:
        """Puts an update before the bot; with `update_id` one that was there already comes again."""
        update = {"update_id": update_id or self._next_update, kind: content}
        self._next_update = max(self._next_update, update["update_id"] + 1)
        self.updates.append(update)
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._arrived.set)
        return update

    def fail(self, status: int, description: str, method: str = "", *, times: int = 1, **parameters: int) -> None:
        """The next calls (of a method) are answered so."""
        self._failing += [(method, status, description, parameters)] * times

    def cut(self, method: str = "sendMessage", *, times: int = 1, done: bool = False) -> None:
        """The next calls of a method end in a cut connection; with `done` what they asked was done."""
        self._cutting += [(method, done)] * times

    def of(self, method: str, chat: int | None = None) -> list[Call]:
        """The calls of one method that were done, in one chat."""
        found = [call for call in list(self.calls) if call.method == method and call.status == 200]
        return [call for call in found if chat is None or call.chat == chat]

    def wait(self, method: str, n: int, *, within_s: float = 30.0) -> list[Call]:
        """The calls of a method, as soon as there are `n`. Raises TimeoutError."""
        until = time.monotonic() + within_s
        with self._came:
            while len(found := self.of(method)) < n:
                if not self._came.wait(until - time.monotonic()):
                    raise TimeoutError(f"{len(found)} of {n} calls of {method} came")
        return found

    def wait_pushed(self, n: int, *, within_s: float = 30.0) -> list[int]:
        """What the webhook answered, as soon as it was called `n` times. Raises TimeoutError."""
        with self._came:
            if not self._came.wait_for(lambda: len(self.pushed) >= n, within_s):
                raise TimeoutError(f"{len(self.pushed)} of {n} updates were pushed")
            return list(self.pushed)

    def next_id(self, chat: int) -> int:
        """A new message's id: they rise in each chat by itself."""
        self._next_message[chat] += 1
        return self._next_message[chat]

    def end_polls(self) -> None:
        """Long polls that nobody waits for any more are let go."""
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._let_go)

    def _let_go(self) -> None:
        self._poller += 1
        self._arrived.set()

    # HTTP.

    async def call(self, request: Request) -> Response:
        args, files = await _arguments(request)
        method, at = request.path_params["method"], self.clock()
        try:
            if request.path_params["token"] != TOKEN:
                raise FailureError(401, "Unauthorized")
            cut = next((told for told in self._cutting if told[0] == method), None)
            if cut:
                self._cutting.remove(cut)
            if cut and not cut[1]:
                return _Cut()
            self._fail_as_told(method)
            result = await self._answer(method, args)
        except FailureError as failure:
            status, description, parameters = failure.args
            self._note(Call(at, method, args, status, files))
            body = {"ok": False, "error_code": status, "description": description}
            return JSONResponse({**body, "parameters": parameters} if parameters else body, status)
        self._note(Call(at, method, args, 200, files))
        return _Cut() if cut else JSONResponse({"ok": True, "result": result})

    async def file(self, request: Request) -> Response:
        body = self.files.get(request.path_params["path"])
        return Response(status_code=404) if body is None else Response(body, media_type="application/octet-stream")

    def _note(self, call: Call) -> None:
        with self._came:
            self.calls.append(call)
            self._came.notify_all()

    def _fail_as_told(self, method: str) -> None:
        for told in self._failing:
            if told[0] in ("", method) and (told[0] or method != "getUpdates"):
                self._failing.remove(told)
                raise FailureError(told[1], told[2], **told[3])

    async def _answer(self, method: str, args: dict[str, str]) -> Any:
        answers: dict[str, Callable[[dict[str, str]], Any]] = {
            **{"getMe": lambda _: self.bot, "setWebhook": self._set_webhook, "deleteWebhook": self._delete_webhook},
            **{"getWebhookInfo": self._webhook_info, "setMyCommands": self._set_commands, "getFile": self._get_file},
            **{"sendMessage": self._send_message, "sendPhoto": self._send_media, "sendDocument": self._send_media},
            **{"editMessageText": self._edit, "editMessageReplyMarkup": self._edit},
            **{"answerCallbackQuery": self._answer_query, "sendChatAction": self._act, "getChat": self._get_chat},
        }
        if method == "getUpdates":
            return await self._get_updates(args)
        if method not in answers:
            raise FailureError(404, "Not Found: method not found")
        return answers[method](args)

    # Updates.

    async def _get_updates(self, args: dict[str, str]) -> list[Update]:
        if self.webhook["url"]:
            raise FailureError(
                409, "Conflict: can't use getUpdates method while webhook is active; use deleteWebhook first"
            )
        offset, limit = int(args.get("offset", 0)), int(args.get("limit", 100))
        _require(1 <= limit <= 100, "limit is out of range")
        self._poller += 1
        mine = self._poller
        self._arrived.set()  # an older poller sees that it is not alone
        self.updates = [update for update in self.updates if update["update_id"] >= offset]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(min(float(args.get("timeout", 0)), LONGEST_HOLD_S)):
                while not self.updates:
                    self._arrived.clear()
                    await self._arrived.wait()
                    if self._poller != mine:
                        raise FailureError(409, "Conflict: terminated by other getUpdates request")
        return self.updates[:limit]

    def _set_webhook(self, args: dict[str, str]) -> bool:
        self.webhook = {"url": args["url"], "secret_token": args.get("secret_token", "")}
        self._arrived.set()
        return True

    def _delete_webhook(self, _args: dict[str, str]) -> bool:
        self.webhook = {"url": ""}
        return True

    def _webhook_info(self, _args: dict[str, str]) -> dict[str, Any]:
        url = self.webhook["url"]
        return {"url": url, "has_custom_certificate": False, "pending_update_count": len(self.updates)}

    async def _push_all(self) -> None:
        """Hands updates to the webhook, one by one, each until it is taken."""
        async with httpx.AsyncClient(trust_env=False) as client:
            while True:
                if not (self.webhook["url"] and self.updates):
                    self._arrived.clear()
                    await self._arrived.wait()
                    continue
                secret = self.webhook["secret_token"]
                headers = {SECRET_HEADER: secret} if secret else {}
                update = self.updates[0]
                try:
                    answer = await client.post(self.webhook["url"], json=update, headers=headers)
                except httpx.HTTPError:
                    status = 0
                else:
                    status = answer.status_code
                with self._came:
                    self.pushed.append(status)
                    self._came.notify_all()
                if 200 <= status < 300 and update in self.updates:
                    self.updates.remove(update)
                else:
                    await asyncio.sleep(0.05)

    # Messages.

    def _send_message(self, args: dict[str, str]) -> dict[str, Any]:
        return self._put(args, {"text": _text(args, "text", 1, 4096)})

    def _send_media(self, args: dict[str, str]) -> dict[str, Any]:
        photo = [{"file_id": "sent", "file_unique_id": "s", "width": 8, "height": 8}]
        kind = {"photo": photo} if "photo" in args else {"document": {"file_id": "sent", "file_unique_id": "s"}}
        return self._put(args, {"caption": _text(args, "caption", 0, 1024), **kind})

    def _put(self, args: dict[str, str], content: dict[str, Any]) -> dict[str, Any]:
        chat = self._may_send(args)
        message: dict[str, Any] = {**_chat(chat), **content, "from": BOT, "message_id": self.next_id(chat)}
        if "message_thread_id" in args:
            topic = int(args["message_thread_id"])
            if (chat, topic) in self.closed_topics:
                raise FailureError(400, "Bad Request: message thread not found")
            message |= {"message_thread_id": topic, "is_topic_message": True}
        if "reply_parameters" in args:
            replied = json.loads(args["reply_parameters"])
            message["reply_to_message"] = {**_chat(chat), "message_id": replied["message_id"]}
        self.messages[chat, message["message_id"]] = {**message, **_keyboard(args)}
        self.by_chat.setdefault(chat, []).append(message["message_id"])
        return self.messages[chat, message["message_id"]]

    def _edit(self, args: dict[str, str]) -> dict[str, Any]:
        chat, id = self._may_send(args), int(args.get("message_id", 0))
        old = self.messages.get((chat, id))
        if old is None:
            raise FailureError(400, "Bad Request: message to edit not found")
        new = {key: value for key, value in old.items() if key not in ("reply_markup", "edit_date")}
        new |= {"text": _text(args, "text", 1, 4096)} if "text" in args else {}
        new |= _keyboard(args)
        if new == {key: value for key, value in old.items() if key != "edit_date"}:
            raise FailureError(400, "Bad Request: message is not modified: specified new message content is the same")
        self.messages[chat, id] = {**new, "edit_date": 1700000001}
        return self.messages[chat, id]

    def _may_send(self, args: dict[str, str]) -> int:
        chat = self._known(args)
        seconds = self.traffic.wait(chat, self.clock()) if self.traffic else 0
        if seconds:
            raise FailureError(429, f"Too Many Requests: retry after {seconds}", retry_after=seconds)
        return chat

    def _known(self, args: dict[str, str]) -> int:
        chat = int(args["chat_id"])
        if chat in self.blocked:
            raise FailureError(403, "Forbidden: bot was blocked by the user")
        if chat in self.unknown:
            raise FailureError(400, "Bad Request: chat not found")
        if chat in self.migrated:
            text = "Bad Request: group chat was upgraded to a supergroup chat"
            raise FailureError(400, text, migrate_to_chat_id=self.migrated[chat])
        return chat

    def _get_chat(self, args: dict[str, str]) -> dict[str, Any]:
        chat = self._known(args)
        gifts = ("unlimited_gifts", "limited_gifts", "unique_gifts", "premium_subscription", "gifts_from_channels")
        whole = {"accent_color_id": 1, "max_reaction_count": 11, "accepted_gift_types": dict.fromkeys(gifts, False)}
        return {"id": chat, "type": self.kinds.get(chat, "supergroup" if chat < 0 else "private"), **whole}

    def _act(self, args: dict[str, str]) -> bool:
        _require(args["action"] == "typing", "wrong parameter action in request")
        return True

    def _answer_query(self, args: dict[str, str]) -> bool:
        _require(units(args.get("text", "")) <= 200, "MESSAGE_TOO_LONG")
        if args["callback_query_id"] not in self.open_queries:
            raise FailureError(400, "Bad Request: query is too old and response timeout expired or query ID is invalid")
        self.open_queries.discard(args["callback_query_id"])
        return True

    def _set_commands(self, args: dict[str, str]) -> bool:
        commands = json.loads(args["commands"])
        _require(len(commands) <= 100, "BOT_COMMANDS_TOO_MUCH")
        for one in commands:
            name = one["command"]
            _require(
                name.isascii() and name.replace("_", "a").isalnum() and name == name.lower(), "BOT_COMMAND_INVALID"
            )
            _require(1 <= len(name) <= 32 and 1 <= len(one["description"]) <= 256, "BOT_COMMAND_INVALID")
        self.commands[args.get("language_code", "")] = commands
        return True

    def _get_file(self, args: dict[str, str]) -> dict[str, Any]:
        path = f"photos/{args['file_id']}.jpg"
        _require(path in self.files, "wrong file_id or the file is temporarily unavailable")
        return {"file_id": args["file_id"], "file_unique_id": "u", "file_path": path}

    @contextlib.asynccontextmanager
    async def _lifespan(self, _app: Starlette) -> Any:
        self._loop = asyncio.get_running_loop()
        pushing = asyncio.create_task(self._push_all())
        yield
        pushing.cancel()

    def app(self) -> Starlette:
        """The application that answers."""
        routes = [
            Route("/bot{token}/{method}", self.call, methods=["GET", "POST"]),
            Route("/file/bot{token}/{path:path}", self.file),
        ]
        return Starlette(routes=routes, lifespan=self._lifespan)


class _Cut(Response):
    """Promises more bytes than it sends: the server then closes the connection under the client."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"1000")]})
        await send({"type": "http.response.body", "body": b"{", "more_body": False})


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@contextlib.contextmanager
def bot_api(clock: Callable[[], float] = time.monotonic, *, keeps_pace: bool = False) -> Iterator[BotApi]:
    """A Bot API that listens on the loopback until the block ends."""
    found = BotApi()
    found.begin_anew(clock, keeps_pace=keeps_pace)
    with served(found.app()) as found.url:
        yield found
        found.end_polls()


@contextlib.contextmanager
def served(app: Starlette) -> Iterator[str]:
    """The address at which an application listens on the loopback until the block ends."""
    listening = listener(0)
    server = _Server(uvicorn.Config(app, log_config=None, access_log=False, timeout_graceful_shutdown=1))
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listening])), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)


async def _arguments(request: Request) -> tuple[dict[str, str], dict[str, bytes]]:
    """The arguments of a call, and the files that came with it."""
    args = dict(request.query_params)
    body, kind = await request.body(), request.headers.get("content-type", "")
    if kind.startswith("application/json"):
        return args | {key: v if isinstance(v, str) else json.dumps(v) for key, v in json.loads(body).items()}, {}
    if not kind.startswith("multipart/"):
        return args | dict(parse_qsl(body.decode(), keep_blank_values=True)), {}
    files = {}
    parts = message_from_bytes(f"Content-Type: {kind}\r\n\r\n".encode() + body)
    for part in parts.get_payload():
        name, value = str(part.get_param("name", header="content-disposition")), part.get_payload(decode=True)
        if part.get_filename():
            files[name] = value
        args[name] = part.get_filename() or value.decode()
    return args, files


def _text(args: Mapping[str, str], name: str, least: int, most: int) -> str:
    """The text with its tags taken out. Raises FailureError where it can't be parsed, is empty or too long."""
    text = args.get(name, "")
    if args.get("parse_mode") == "HTML":
        try:
            text = parsed(text).text
        except HtmlError as error:
            raise FailureError(400, f"Bad Request: can't parse entities: {error}") from None
    if units(text) > most:
        raise FailureError(400, "Bad Request: message is too long")
    if len(text.strip()) < least:
        raise FailureError(400, "Bad Request: message text is empty")
    return text.strip()


def _keyboard(args: Mapping[str, str]) -> dict[str, Any]:
    markup = json.loads(args.get("reply_markup", "{}"))
    rows = markup.get("inline_keyboard", [])
    _require(sum(len(row) for row in rows) <= 100 and all(1 <= len(row) <= 8 for row in rows), "BUTTONS_TOO_MUCH")
    for row in rows:
        for button in row:
            _require(bool(button["text"].strip()), "inline keyboard button text is empty")
            _require(1 <= len(button["callback_data"].encode()) <= 64, "BUTTON_DATA_INVALID")
    return {"reply_markup": {"inline_keyboard": rows}} if rows else {}


def _chat(chat: int) -> dict[str, Any]:
    return {"date": 1700000000, "chat": {"id": chat, "type": "supergroup" if chat < 0 else "private"}}


def _require(well: bool, description: str) -> None:
    if not well:
        raise FailureError(400, f"Bad Request: {description}")
