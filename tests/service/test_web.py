"""The gateway's door: what each kind of request is answered with, and when the reply goes in the answer."""

import contextlib
import json
import socket
import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import httpx
import pytest
from doors import ANSWERING, FORM, JSON, SIGNING_KEY, Asked, door, form, pass_in, profile, signed_form, signed_json
from phones import ANA, BEN
from pydantic import SecretStr
from serving import served
from sqlalchemy import func, select
from starlette.testclient import TestClient

from chatkey.channels.sms.channel import SmsChannel
from chatkey.channels.sms.gateway import read_gateway
from chatkey.service import pool, web
from chatkey.service.serve import PATH
from chatkey.store import engine
from chatkey.store.schema import inbox, outbox

NOTHING = "<Response></Response>"
FIELDS = {"from": ANA, "to": "12345", "id": "1", "charset": "UTF-8", "text": "soft"}


@pytest.fixture(scope="module")
def kannel(mind, tmp_path_factory):
    """A door that many requests may share."""
    with door(tmp_path_factory.mktemp("kannel"), mind) as opened:
        yield opened


@pytest.fixture
def answering(opened, tmp_path):
    """Phones behind a gateway that takes the reply in the answer, and pushes for what comes later."""
    return opened(gateway=profile(tmp_path, ANSWERING), signing_key=SecretStr(SIGNING_KEY))


@pytest.fixture
def held(monkeypatch):
    """Thinking waits until this is set."""
    gate = threading.Event()
    think = pool.think

    def slow(mind, frame, work):
        assert gate.wait(30)
        return think(mind, frame, work)

    monkeypatch.setattr(pool, "think", slow)
    yield gate
    gate.set()


@pytest.mark.parametrize(
    ("changed", "status"),
    [
        ({}, 200),
        ({"text": ""}, 200),
        ({"text": None}, 400),
        ({"id": None}, 400),
        ({"id": ""}, 400),
        ({"id": "x" * 201}, 400),
        ({"id": "a\x00b"}, 400),
        ({"from": None}, 400),
        ({"from": "   "}, 400),
        ({"from": "+" * 20}, 400),
        ({"from": "5" * 41}, 400),
        ({"charset": "klingon"}, 400),
        ({"text": "x" * 17_000}, 413),
    ],
)
def test_a_request_is_answered_by_what_is_in_it(kannel, changed, status):
    before = kannel.n_kept()
    own = {**FIELDS, "id": f"own {before}", **changed}
    fields = {name: value for name, value in own.items() if value is not None}
    assert kannel.client.get(PATH, params=fields).status_code == status
    assert kannel.n_kept() - before == (status == 200)


def test_a_field_given_twice_is_refused(kannel):
    assert kannel.client.get(f"{PATH}?from={BEN}&from={ANA}&id=1&text=soft").status_code == 400


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD", "TRACE", "BREW"])
def test_another_method_is_told_which_one_is_right(kannel, method):
    answer = kannel.client.request(method, PATH, params=FIELDS)
    assert (answer.status_code, answer.headers["Allow"]) == (405, "GET")


def test_an_address_that_is_not_the_gateways_is_refused(phones):
    for peer in ("192.0.2.7", "::ffff:192.0.2.7", "testclient", ""):
        stranger = TestClient(phones.client.app, client=(peer, 50000))
        assert stranger.get(PATH, params=FIELDS).status_code == 403
    assert _n(phones, inbox) == 0


def test_a_path_that_is_not_there_is_not_found(kannel):
    for path in ("/", "/sms", "/sms/in/", "/sms/in/x", "/admin", "/%2e%2e/chatkey.db", "//sms/in"):
        assert kannel.client.get(path, follow_redirects=False).status_code == 404


def test_a_body_in_pieces_is_refused_as_soon_as_it_is_over_the_cap(kannel):
    asked = Asked("POST", parts=1000 * (b"x" * 1024,))
    answer = kannel.ask(asked)
    assert (answer.status, answer.parts_read) == (413, 17)


def test_who_leaves_in_the_middle_of_a_body_leaves_nothing(answering):
    asked = Asked("POST", parts=(b"From=%2B19065550101&Body=soft",), leaves="a part missing")
    answer = answering.client.portal.call(pass_in, answering.client.app, asked)
    assert answer.status == 400
    assert _n(answering, inbox) == 0


def test_while_the_store_is_locked_the_gateway_is_asked_to_come_again(monkeypatch, opened, tmp_path):
    monkeypatch.setattr(engine, "BUSY_MS", 20)
    phones = opened()
    other = sqlite3.connect(tmp_path / "chatkey.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    answer = phones.deliver(ANA, "soft", id="1")
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "30")
    other.execute("ROLLBACK")
    other.close()
    assert phones.say(ANA, "soft", id="1")


def test_the_reply_goes_in_the_answer_and_nowhere_else(answering):
    reply = _message(_post(answering, "soft flat needles near Marquette MI", "1"))
    assert "soft needles" in reply
    answering.clock.now += 60
    answering.client.portal.call(answering.client.app.state.running.post.posted)
    assert "pale lines" in _message(_post(answering, "2 white lines under", "2"))
    assert answering.gateway.given == []
    assert _statuses(answering) == ["sent", "sent"]


def test_the_reply_in_the_answer_is_escaped(answering):
    answer = answering.client.post(PATH, **_request(form(ANA, "what is <b>soft & flat</b>", "1")))
    assert answer.headers["content-type"] == "text/xml; charset=utf-8"
    assert "<b>" not in answer.text
    plain = web.answer(read_gateway("form_post"), "a < b & c")
    assert plain.body == b"<Response><Message>a &lt; b &amp; c</Message></Response>"


def test_a_message_delivered_again_after_its_reply_was_handed_over_gets_nothing(answering):
    assert _message(_post(answering, "soft", "1"))
    assert _post(answering, "soft", "1").text == NOTHING
    assert len(_statuses(answering)) == 1


def test_a_reply_that_took_too_long_is_pushed(answering, held, monkeypatch):
    monkeypatch.setattr(web, "RESPONSE_WAIT_S", 0.05)
    assert _post(answering, "soft", "1").text == NOTHING
    held.set()
    answering.clock.now += 60
    assert "soft" in answering.next(ANA)
    assert _post(answering, "soft", "1").text == NOTHING


def test_a_message_delivered_again_gets_the_reply_that_was_not_handed_over(opened, held, monkeypatch):
    phones = opened(gateway="form_post", signing_key=SecretStr(SIGNING_KEY), push_url="")
    monkeypatch.setattr(web, "RESPONSE_WAIT_S", 0.05)
    assert _post(phones, "soft", "1").text == NOTHING
    held.set()
    monkeypatch.setattr(web, "RESPONSE_WAIT_S", 20)
    assert "soft" in _message(_post(phones, "soft", "1"))
    assert _post(phones, "soft", "1").text == NOTHING
    assert _statuses(phones) == ["sent"]


def test_without_pushes_a_reply_that_was_late_goes_with_the_next_answer(opened, held, monkeypatch):
    phones = opened(gateway="form_post", signing_key=SecretStr(SIGNING_KEY), push_url="")
    monkeypatch.setattr(web, "RESPONSE_WAIT_S", 0.05)
    assert _post(phones, "soft", "1").text == NOTHING
    held.set()
    monkeypatch.setattr(web, "RESPONSE_WAIT_S", 20)
    assert "lines" in _message(_post(phones, "2 white lines under", "2"))
    assert _statuses(phones)[-1] == "sent"
    assert "failed" not in _statuses(phones)


def test_two_requests_with_one_message_wait_for_one_reply(answering, held):
    with ThreadPoolExecutor(2) as both:
        answers = [both.submit(_post, answering, "soft", "1") for _ in range(2)]
        held.set()
        texts = [answer.result().text for answer in answers]
    assert _n(answering, inbox) == 1
    assert set(texts) - {NOTHING}
    assert _statuses(answering) == ["sent"]


@pytest.mark.parametrize("word", ["STOP", "forget me", "HELP"])
def test_each_kind_of_reply_goes_in_the_answer(answering, word):
    _post(answering, "soft", "1")
    assert _message(_post(answering, word, "2"))
    assert answering.gateway.given == []
    assert "waiting" not in _statuses(answering)


def test_a_reply_that_nobody_waited_for_is_kept_for_the_next_time(answering):
    asked = form(ANA, "soft", "1").asked
    answer = answering.client.portal.call(pass_in, answering.client.app, replace(asked, leaves="all sent"))
    assert NOTHING.encode() == answer.body
    assert _statuses(answering) == ["waiting"]
    assert "soft" in _message(_post(answering, "soft", "1"))
    assert _statuses(answering) == ["sent"]


def test_after_a_stop_the_answer_is_empty(answering):
    _post(answering, "STOP", "1")
    assert _post(answering, "soft", "2").text == NOTHING


def test_unsigned_and_forged_requests_are_refused(answering):
    good = form(ANA, "soft", "1")
    for headers in (
        {"content-type": FORM},
        {**good.headers, "x-signature": ""},
        {**good.headers, "x-signature": "AAAA"},
        {**good.headers, "x-signature": "é"},
        dict(signed_form({"From": ANA, "Body": "soft", "MessageId": "1"}, "another key").headers),
    ):
        raw = [(name.encode(), value.encode("latin-1")) for name, value in headers.items()]
        assert answering.client.post(PATH, content=good.body, headers=raw).status_code == 403
    assert _n(answering, inbox) == 0


def test_json_is_read_by_the_way_that_the_profile_gives(opened, tmp_path):
    phones = opened(gateway=profile(tmp_path, JSON), signing_key=SecretStr(SIGNING_KEY))
    good = json.dumps({"id": 7, "message": {"from": ANA, "to": ["12345"], "text": "soft"}}).encode()
    assert phones.client.post(PATH, **_request(signed_json(good))).status_code == 200
    assert "soft" in phones.next(ANA)
    for bad in (b"", b"[]", b"{", b'{"id": 1}', b"\xff", b"[" * 9000, b'{"id": ' + b"9" * 5000 + b"}", b'{"id": NaN}'):
        assert phones.client.post(PATH, **_request(signed_json(bad))).status_code == 400
    assert _n(phones, inbox) == 1


def test_a_fault_of_ours_is_logged_and_the_gateway_comes_again(phones, monkeypatch):
    events = []
    monkeypatch.setattr(web.log, "error", lambda event, **fields: events.append((event, fields)), raising=False)

    def broken(_self, _request, _now):
        raise ZeroDivisionError(ANA)

    monkeypatch.setattr(SmsChannel, "receive", broken)
    client = TestClient(phones.client.app, client=("127.0.0.1", 1), raise_server_exceptions=False)
    assert client.get(PATH, params=FIELDS).status_code == 500
    assert [event for event, _ in events] == ["request_failed"]


def test_over_a_real_socket_broken_requests_are_refused_and_the_next_one_is_served(tmp_path):
    with served(tmp_path, str(tmp_path / "chatkey.db"), "http://127.0.0.1:1/") as server:
        address = ("127.0.0.1", server.port)
        host = b"Host: x\r\n"
        long = b"POST /sms/in HTTP/1.1\r\n" + host + b"Transfer-Encoding: chunked\r\n\r\n"
        assert _raw(address, b"\x16\x03\x01 nonsense\r\n\r\n").startswith(b"HTTP/1.1 400")
        assert _raw(address, long + b"1000\r\n" + b"x" * 4096 + b"\r\n" + b"zzz\r\n").startswith(b"HTTP/1.1 ")
        assert _raw(address, long + 9 * (b"1000\r\n" + b"x" * 4096 + b"\r\n")).startswith(b"HTTP/1.1 413")
        assert _raw(address, b"GET /health HTTP/1.1\r\n" + host + b"X: " + b"y" * 200_000 + b"\r\n\r\n")[9:10] in (
            b"4",
            b"",
        )
        _raw(address, b"POST /sms/in HTTP/1.1\r\n" + host + b"Content-Length: 100\r\n\r\nhalf", listens=False)
        assert httpx.get(f"{server.url}/health", trust_env=False).status_code == 200
        assert "Traceback" not in server.log


def _raw(address, data, *, listens=True):
    with socket.create_connection(address, timeout=20) as line, contextlib.suppress(ConnectionError):
        line.sendall(data)
        return line.recv(65536) if listens else b""
    return b""


def _request(posted):
    return {"content": posted.body, "headers": dict(posted.headers)}


def _post(phones, text, id):
    answer = phones.client.post(PATH, **_request(form(ANA, text, id)))
    assert answer.status_code == 200
    return answer


def _message(answer):
    head, tail = "<Response><Message>", "</Message></Response>"
    assert answer.text.startswith(head)
    return answer.text.removeprefix(head).removesuffix(tail)


def _n(phones, table):
    store = phones.store()
    with store.read() as connection:
        n = connection.scalar(select(func.count()).select_from(table))
    store.close()
    return n


def _statuses(phones):
    store = phones.store()
    with store.read() as connection:
        found = list(connection.scalars(select(outbox.c.status).order_by(outbox.c.id)))
    store.close()
    return found
