"""Gateways of other kinds than Kannel, for tests: their profiles, and requests as they make and sign them."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import time
from base64 import b64encode
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from io import StringIO
from pathlib import Path
from typing import Literal
from urllib.parse import unquote, urlencode

import structlog
from databases import KEY
from gateway import Gateway, gateway
from pydantic import SecretStr
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Message

from chatkey.channels.sms.signature import url_and_fields
from chatkey.dialog import Mind
from chatkey.service.logs import begin_log
from chatkey.service.running import Running
from chatkey.service.serve import PATH, build
from chatkey.service.settings import LimitSettings, Settings, SmsSettings
from chatkey.store.inbox import is_waiting

SIGNING_KEY = "a-signing-word-for-tests"
URL = f"http://127.0.0.1:8080{PATH}"  # as the settings of the tests make it
ANSWERING = """\
receive: {method: POST, fields_in: form, sender: From, recipient: To, text: Body, id: MessageId}
signature: {signs: url_and_fields, algorithm: sha1, header: x-signature}
answer:
  content_type: text/xml
  with_text: "<Response><Message>{text}</Message></Response>"
  without_text: "<Response></Response>"
reply: response
push:
  {method: GET, fields_in: query, sender: from, recipient: to, text: text, by_status: {sent: [2xx], later: [5xx]}}
"""
JSON = """\
receive: {method: POST, fields_in: json, sender: message.from, recipient: message.to.0, text: message.text, id: id}
signature: {signs: body, algorithm: sha256, written_in: hex, header: x-signature}
reply: push
push:
  {method: GET, fields_in: query, sender: from, recipient: to, text: text, by_status: {sent: [2xx], later: [5xx]}}
"""


@dataclass(frozen=True, slots=True)
class Posted:
    """A body and the headers that go with it."""

    body: bytes
    headers: Mapping[str, str]

    @property
    def asked(self) -> Asked:
        """The request that it makes."""
        raw = tuple((name.lower().encode(), value.encode()) for name, value in self.headers.items())
        return Asked("POST", headers=raw, parts=(self.body,))


@dataclass(frozen=True, slots=True)
class Asked:
    """A request byte by byte, which need not be a right one."""

    method: str = "GET"
    path: str = PATH
    query: bytes = b""
    headers: tuple[tuple[bytes, bytes], ...] = ()
    parts: tuple[bytes, ...] = (b"",)
    leaves: Literal["", "a part missing", "all sent"] = ""  # when the caller goes without an answer


@dataclass(slots=True)
class Answer:
    """What came back."""

    status: int = 0
    headers: list[tuple[bytes, bytes]] = field(default_factory=list)
    body: bytes = b""
    parts_read: int = 0


def profile(folder: Path, text: str) -> str:
    """The path of a profile with this text."""
    path = folder / "own.yaml"
    path.write_text(text)
    return str(path)


def form(number: str, text: str, id: str, **more: str) -> Posted:
    """A message in a form, signed."""
    return signed_form({"From": number, "To": "12345", "Body": text, "MessageId": id, **more})


def signed_form(fields: Mapping[str, str], key: str = SIGNING_KEY) -> Posted:
    """A form with any fields, signed with some key."""
    pairs = [(name.encode(), value.encode("utf-8", "replace")) for name, value in fields.items()]
    signature = b64encode(url_and_fields(key.encode(), URL.encode(), pairs)).decode()
    return Posted(urlencode(pairs).encode(), {"content-type": FORM, "x-signature": signature})


def signed_json(body: bytes, key: str = SIGNING_KEY) -> Posted:
    """A body of JSON, or what goes for it, signed with some key."""
    signature = hmac.new(key.encode(), body, hashlib.sha256).hexdigest()
    return Posted(body, {"content-type": "application/json", "x-signature": signature})


async def pass_in(app: ASGIApp, asked: Asked, when_answered: Callable[[], object] = lambda: None) -> Answer:
    """The answer of an application to a request, byte by byte as it came; just before it leaves something is done."""
    parts = iter((*asked.parts, None))
    answer = Answer()
    scope = {
        "type": "http",
        "method": asked.method,
        "path": unquote(asked.path),
        "raw_path": asked.path.encode(),
        "query_string": asked.query,
        "headers": [*asked.headers],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 8080),
        "scheme": "http",
        "http_version": "1.1",
        "root_path": "",
    }

    async def receive() -> Message:
        part = next(parts, None)
        if part is None:
            if not asked.leaves:
                await asyncio.Event().wait()  # who stays says nothing more
            return {"type": "http.disconnect"}
        answer.parts_read += 1
        is_last = answer.parts_read == len(asked.parts)
        return {"type": "http.request", "body": part, "more_body": not is_last or asked.leaves == "a part missing"}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            answer.status, answer.headers = message["status"], message.get("headers", [])
        else:
            when_answered()
            answer.body += message.get("body", b"")

    await app(scope, receive, send)
    return answer


@dataclass(slots=True, eq=False)
class Door:
    """An application that serves in this process, asked without a socket; what it logs is read."""

    client: TestClient
    gateway: Gateway
    log: StringIO

    @property
    def running(self) -> Running:
        found = self.client.app.state.running  # type: ignore[attr-defined]
        assert isinstance(found, Running)
        return found

    def ask(self, asked: Asked) -> Answer:
        """The answer to one request."""
        assert self.client.portal is not None
        return self.client.portal.call(pass_in, self.client.app, asked)

    def n_kept(self) -> int:
        """How many messages were kept, in memory's count."""
        return int(self.running.metrics.registry.get_sample_value("chatkey_received_total", {"channel": "sms"}) or 0)

    def settle(self) -> None:
        """Until all that was kept is thought about."""
        assert self.client.portal is not None
        while self.client.portal.call(self.running.keeper.look, is_waiting, self.running.keeper.store):
            time.sleep(0.02)

    def faults(self) -> list[dict[str, object]]:
        """What was logged that is worse than news."""
        lines = [json.loads(line) for line in self.log.getvalue().splitlines()]
        return [line for line in lines if line["level"] not in ("debug", "info")]


@contextmanager
def door(folder: Path, mind: Mind, **sms: object) -> Iterator[Door]:
    """An open door with a gateway behind it. Limits are off, the log is read."""
    log = StringIO()
    begin_log(log)
    with gateway() as ours:
        channel = {"number": "12345", "user": "chatkey", "password": SecretStr("for tests"), "push_url": ours.url}
        settings = Settings(
            group="Larkwater Stewards",
            store=str(folder / "chatkey.db"),
            key=SecretStr(b64encode(KEY).decode()),
            place="MI",
            thinkers=0,
            sms=SmsSettings.model_validate({**channel, **sms}),
            limits=LimitSettings(sender_a_minute=10**8, sender_a_day=10**8, all_a_minute=10**8),
        )
        with TestClient(build(settings, partial(_same, mind)), client=("127.0.0.1", 1)) as client:
            yield Door(client, ours, log)
    structlog.reset_defaults()


def _same(mind: Mind) -> Mind:
    return mind


FORM = "application/x-www-form-urlencoded"
