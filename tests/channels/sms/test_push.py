"""Replies that leave: as the answer, or by a request, to a little gateway, to a silent one, and to a real Kannel."""

from __future__ import annotations

import asyncio
import json
import logging
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, get_args
from urllib.parse import parse_qs

import httpx
import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request as WebRequest
from starlette.responses import Response
from starlette.routing import Route

from chatkey.channels.base import ChannelError
from chatkey.channels.sms.gateway import FieldsIn, Gateway, Login, Outcome, Secrets, read_gateway
from chatkey.channels.sms.inbound import Request, receive
from chatkey.channels.sms.push import answer, check_settings, outcome, push, request_for
from tests.kannel import NUMBER, PASSWORD, USER, Kannel, free_ports, kannel, needs_kannel

PHONE, GROUP = "+19065550123", "+19065550199"
SECRETS = Secrets(user="larkwater", password="hush-hush")
KANNEL = read_gateway("kannel")
FORM = read_gateway("form_post").at("https://sms.larkwater.example/send")


def pushing(**more: Any) -> Gateway:
    """The gateway of the form with some of its ways of pushing written otherwise."""
    assert FORM.push is not None
    return replace(FORM, push=replace(FORM.push, **more))


def request_by(gateway: Gateway, text: str = "hi") -> httpx.Request:
    return request_for(gateway, SECRETS, sender=GROUP, recipient=PHONE, text=text)


def pushed(gateway: Gateway, text: str = "hi", secrets: Secrets = SECRETS, recipient: str = PHONE) -> Outcome:
    async def once() -> Outcome:
        async with httpx.AsyncClient(trust_env=False) as client:
            return await push(client, gateway, secrets, sender=NUMBER, recipient=recipient, text=text)

    return asyncio.run(once())


@dataclass(slots=True)
class Little:
    """A little gateway that answers each request alike, and keeps what came."""

    url: str
    came: list[tuple[str, str, bytes]] = field(default_factory=list)


@contextmanager
def little_gateway(status: int, body: bytes = b"", *, is_silent: bool = False) -> Iterator[Little]:
    over = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = int(self.headers["content-length"])
            little.came.append((self.path, self.headers["authorization"] or "", self.rfile.read(length)))
            if is_silent:
                over.wait(30)
                return
            self.send_response(status)
            self.send_header("location", little.url)
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            """Nothing: a test has no log."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        little = Little(f"http://127.0.0.1:{server.server_address[1]}/send")
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield little
        finally:
            over.set()
            server.shutdown()
            thread.join()


def test_an_answer_holds_the_reply_as_the_gateway_wants_it() -> None:
    plain, xml = answer(KANNEL, "2 < 3 & flat"), answer(FORM, "2 < 3 & flat")
    assert (plain.content_type, plain.body) == ("text/plain; charset=utf-8", b"2 < 3 & flat")
    assert xml.content_type == "text/xml; charset=utf-8"
    assert xml.body == b"<Response><Message>2 &lt; 3 &amp; flat</Message></Response>"


def test_an_answer_without_a_reply_makes_the_gateway_send_nothing() -> None:
    assert answer(KANNEL).body == b""
    assert answer(FORM).body == b"<Response></Response>"
    assert answer(KANNEL).headers == {}


def test_an_answer_outside_gsm_says_so_in_a_header() -> None:
    assert answer(KANNEL, "naïve").headers == {"X-Kannel-Coding": "2"}
    assert answer(KANNEL, "Señor {é}").headers == {}
    assert answer(KANNEL, "half \ud83c").body == b"half ?"


def test_the_fields_go_where_the_profile_says() -> None:
    fields = {"From": GROUP, "To": PHONE, "Body": "flat & soft + 2 é", "fixed": "1"}
    where: dict[FieldsIn, httpx.Request] = {
        kind: request_by(pushing(fields_in=kind, always={"fixed": "1"}), fields["Body"]) for kind in get_args(FieldsIn)
    }
    assert dict(where["query"].url.params) == fields
    assert {name: value for name, [value] in parse_qs(where["form"].content.decode()).items()} == fields
    assert json.loads(where["json"].content) == fields
    assert where["json"].headers["content-type"] == "application/json"


def test_a_query_of_the_address_is_kept() -> None:
    request = request_by(pushing(fields_in="query", url="https://sms.larkwater.example/send?group=7"))
    assert request.url.params["group"] == "7"
    assert request.url.params["To"] == PHONE


@pytest.mark.parametrize(
    ("login", "header"),
    [("none", None), ("basic", "Basic bGFya3dhdGVyOmh1c2gtaHVzaA=="), ("bearer", "Bearer hush-hush"), ("fields", None)],
)
def test_the_login_goes_where_the_profile_says(login: Login, header: str | None) -> None:
    request = request_by(pushing(login=login, user_field="user", password_field="word"))
    assert request.headers.get("authorization") == header
    fields = parse_qs(request.content.decode())
    assert ("word" in fields, "user" in fields) == ((True, True) if login == "fields" else (False, False))


def test_only_a_text_outside_gsm_gets_the_fields_for_it() -> None:
    plain, wide = request_by(KANNEL, "Señor é {1} €"), request_by(KANNEL, "naïve 🌲")
    assert "coding" not in plain.url.params
    assert (wide.url.params["coding"], wide.url.params["charset"]) == ("2", "UTF-8")
    assert wide.url.params["text"] == "naïve 🌲"


@pytest.mark.parametrize("text", ["", " ", "\n\t"])
def test_an_empty_text_is_never_sent(text: str) -> None:
    with pytest.raises(ChannelError, match="the text is empty"):
        request_by(KANNEL, text)
    with pytest.raises(ChannelError, match="the text is empty"):
        pushed(KANNEL, text)


def test_half_characters_are_sent_as_a_mark() -> None:
    assert request_by(KANNEL, "a \ud83c b").url.params["text"] == "a ? b"


def test_a_gateway_without_an_address_for_pushes_is_told() -> None:
    for gateway in (read_gateway("form_post"), replace(FORM, push=None)):
        with pytest.raises(ChannelError, match="has no address for pushes"):
            request_by(gateway)


def test_a_request_shows_neither_password_nor_number_nor_text() -> None:
    for gateway in (KANNEL, pushing(login="basic"), pushing(fields_in="query")):
        shown = repr(request_by(gateway, "soft needles"))
        assert not any(word in shown for word in ("hush", "5550123", "soft"))


@pytest.mark.parametrize(
    ("status", "body", "told"),
    [
        (200, b"", "sent"),
        (202, b"0: Accepted for delivery", "sent"),
        (201, b'{"code": null}', "sent"),
        (400, b'{"code": 21610}', "stopped"),
        (400, b'{"code": "21610"}', "stopped"),
        (200, b'{"code": 21610}', "stopped"),
        (400, b'{"code": 21211}', "refused"),
        (400, b"not json", "refused"),
        (422, b"[" * 100_000, "refused"),
        (403, b"[]", "refused"),
        (401, b"", "later"),
        (429, b"", "later"),
        (500, b"", "later"),
        (503, b'{"code": []}', "later"),
        (302, b"", "later"),
    ],
)
def test_an_answer_means_what_the_profile_says(status: int, body: bytes, told: Outcome) -> None:
    assert outcome(FORM, httpx.Response(status, content=body)) == told


@pytest.mark.parametrize(("status", "told"), [(202, "sent"), (403, "refused"), (500, "later"), (302, "later")])
def test_a_push_comes_to_what_the_gateway_answers(status: int, told: Outcome) -> None:
    with little_gateway(status) as little:
        assert pushed(FORM.at(little.url), "flat & soft") == told
        [(path, login, body)] = little.came  # a redirection is not followed
    assert path == "/send"
    assert login.startswith("Basic ")
    assert parse_qs(body.decode()) == {"From": [NUMBER], "To": [PHONE], "Body": ["flat & soft"]}


def test_a_number_that_has_stopped_is_told_by_the_code_in_the_answer() -> None:
    with little_gateway(400, b'{"code": 21610}') as little:
        assert pushed(FORM.at(little.url)) == "stopped"


def test_a_silent_gateway_means_later() -> None:
    with little_gateway(200, is_silent=True) as little:
        assert pushed(pushing(url=little.url, timeout_s=0.2)) == "later"
        assert len(little.came) == 1


def test_a_gateway_that_is_not_there_means_later() -> None:
    [port] = free_ports(1)
    assert pushed(FORM.at(f"http://127.0.0.1:{port}/send")) == "later"


def test_a_gateway_that_speaks_no_http_means_later() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def hang_up() -> None:
            with server.accept()[0] as caller:
                caller.recv(65_536)
                caller.sendall(b"SMTP?\r\n")

        thread = threading.Thread(target=hang_up)
        thread.start()
        assert pushed(FORM.at(f"http://127.0.0.1:{server.getsockname()[1]}/send")) == "later"
        thread.join()


def test_neither_number_nor_text_nor_password_gets_into_a_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    caplog.set_level(logging.DEBUG, logger="httpx")
    with little_gateway(202) as little:
        assert pushed(pushing(url=little.url, fields_in="query", login="fields", user_field="u", password_field="p"))
        assert "To=%2B19065550123" in little.came[0][0]
    assert not any(word in caplog.text for word in ("5550123", "hush", "Body="))


@pytest.mark.parametrize(
    ("gateway", "secrets", "told"),
    [
        (FORM, Secrets(), "signing secret: is missing"),
        (FORM, Secrets(signing="s", user="larkwater"), "user or password for pushes is missing"),
        (KANNEL, Secrets(), "user or password for pushes is missing"),
        (KANNEL.at("http://127.0.0.1:1"), Secrets(password="hush"), "user or password for pushes is missing"),
        (pushing(login="bearer"), Secrets(signing="s"), "token for pushes is missing or unprintable"),
        (pushing(login="bearer"), Secrets(signing="s", password="a\nb"), "token for pushes is missing or unprintable"),
        (replace(read_gateway("form_post"), reply="push"), Secrets(signing="s"), "has no address for pushes"),
    ],
)
def test_settings_that_do_not_suffice_are_told_at_the_start(gateway: Gateway, secrets: Secrets, told: str) -> None:
    with pytest.raises(ChannelError, match=told):
        check_settings(gateway, secrets)


def test_settings_that_suffice_are_fine() -> None:
    check_settings(KANNEL, SECRETS)
    check_settings(FORM, replace(SECRETS, signing="s"))
    check_settings(read_gateway("form_post"), Secrets(signing="s"))  # answers only
    check_settings(replace(FORM, push=None), Secrets(signing="s"))


@dataclass(slots=True)
class Chat:
    """A trivial chat behind a Kannel: it answers with nothing and pushes back what it heard."""

    gateway: Gateway = KANNEL
    outcomes: list[Outcome] = field(default_factory=list)
    tasks: set[asyncio.Task[None]] = field(default_factory=set)
    client: httpx.AsyncClient = field(init=False)
    twenty: asyncio.Semaphore = field(init=False)

    @asynccontextmanager
    async def life(self, app: Starlette) -> AsyncIterator[None]:
        self.twenty = asyncio.Semaphore(20)  # waiting for a free connection counts as the gateway's time
        async with httpx.AsyncClient(trust_env=False) as self.client:
            yield
            await asyncio.gather(*self.tasks)

    async def hear(self, web: WebRequest) -> Response:
        query, peer = web.scope["query_string"], web.client.host if web.client else ""
        seen = Request(web.method, "http://127.0.0.1/sms", query, dict(web.headers), b"", peer)
        found = receive(self.gateway, seen, SECRETS, now=0.0)
        task = asyncio.create_task(self.reply(found.sender, f"You said: {found.text}"))
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)
        empty = answer(self.gateway)
        return Response(empty.body, media_type=empty.content_type)

    async def reply(self, to: str, text: str) -> None:
        login = Secrets(user=USER, password=PASSWORD)
        async with self.twenty:
            self.outcomes.append(await push(self.client, self.gateway, login, sender=NUMBER, recipient=to, text=text))


@dataclass(frozen=True, slots=True)
class Network:
    chat: Chat
    phones: Kannel


class Server(uvicorn.Server):
    """A server that says when it answers."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.answers = threading.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.answers.set()


@contextmanager
def served(app: Starlette, port: int) -> Iterator[None]:
    server = Server(uvicorn.Config(app, port=port, log_config=None, access_log=False))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        assert server.answers.wait(10)
        yield
    finally:
        server.should_exit = True
        thread.join()


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Network]:
    """A real Kannel before the trivial chat."""
    [port] = free_ports(1)
    chat = Chat()
    app = Starlette(routes=[Route("/sms", chat.hear)], lifespan=chat.life)
    with (
        served(app, port),
        kannel(tmp_path_factory.mktemp("kannel"), get_url=f"http://127.0.0.1:{port}/sms") as phones,
    ):
        chat.gateway = KANNEL.at(phones.push_url)
        yield Network(chat, phones)


@needs_kannel
def test_through_a_real_kannel_a_message_comes_in_and_its_reply_goes_out(network: Network) -> None:
    before = len(network.phones.replies())
    said = ["soft flat needles", "naïve 🌲, ½ in\nsecond line", "& + % = ?", "Señor {é} €", "é" * 400, "🌲" * 100]
    sent = [(f"+1906555010{digit}", text) for digit, text in enumerate(said)]
    network.phones.send(sent)
    found = network.phones.wait_for(before + len(sent))[before:]
    assert sorted(found) == [(number, f"You said: {text}") for number, text in sent]


@needs_kannel
def test_a_real_kannel_with_another_password_means_later_and_sends_nothing(network: Network) -> None:
    before = len(network.phones.replies())
    gateway = network.chat.gateway
    assert pushed(gateway, "lost", secrets=Secrets(user=USER, password="another")) == "later"
    assert pushed(gateway, "found", secrets=Secrets(user=USER, password=PASSWORD)) == "sent"
    assert network.phones.wait_for(before + 1)[before:] == [(PHONE, "found")]


@needs_kannel
def test_a_thousand_messages_of_two_hundred_phones_are_each_answered_once(network: Network) -> None:
    before = len(network.phones.replies())
    numbers = [f"+1{area}55501{line:02}" for area in (231, 906) for line in range(100)]
    sent = [(number, f"{number[-4:]} says {turn}") for turn in range(5) for number in numbers]
    network.phones.send(sent)
    found = network.phones.wait_for(before + len(sent))[before:]
    assert sorted(found) == sorted((number, f"You said: {text}") for number, text in sent)
