"""Requests of gateways: what is taken from them, and that whatever else may come is refused and nothing worse."""

from __future__ import annotations

import json
import pickle
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import replace
from ipaddress import ip_network
from urllib.parse import quote_from_bytes, urlencode

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chatkey.channels.base import ChannelError
from chatkey.channels.sms.gateway import Gateway, Receive, Secrets, Signing, Template, read_gateway
from chatkey.channels.sms.inbound import LARGEST_BYTES, Received, Refused, Request, receive
from chatkey.channels.sms.signature import url_and_fields

URL = "https://chat.larkwater.example/sms/form_post"
PHONE = "+19065550123"
NOW = 1_800_000_000.0
KANNEL = read_gateway("kannel")
FORM = read_gateway("form_post")
UNSIGNED_FORM = replace(FORM, signing=Signing())
JSON = Gateway(
    "larkwater",
    Receive("POST", "json", sender="message.from", text="message.text", id="message.id", recipient="to.0"),
    Signing(),
    Template(),
    "response",
)
SECRETS = Secrets(signing="hush")


def request(
    gateway: Gateway,
    *,
    query: bytes = b"",
    body: bytes = b"",
    headers: Mapping[str, str] | None = None,
    peer: str = "127.0.0.1",
) -> Request:
    return Request(gateway.receive.method, URL, query, headers or {}, body, peer)


def by_kannel(query: bytes) -> Received:
    return receive(KANNEL, request(KANNEL, query=query), SECRETS, NOW)


def by_form(fields: Mapping[str, str], secret: bytes = b"hush") -> Request:
    raw = [(name.encode(), value.encode()) for name, value in fields.items()]
    header = b64encode(url_and_fields(secret, URL.encode(), raw)).decode()
    return request(FORM, body=urlencode(fields).encode(), headers={"x-signature": header})


def by_json(data: object) -> Received:
    return receive(JSON, request(JSON, body=json.dumps(data).encode()), SECRETS, NOW)


def message(**more: object) -> dict[str, object]:
    return {"message": {"id": "m1", "from": PHONE, "text": "soft flat needles", **more}, "to": ["12345"]}


@pytest.mark.parametrize(
    ("text", "charset", "codec"),
    [
        ("soft & flat, 50% + 1 = ?", "UTF-8", "utf-8"),
        ("needles ½ in, naïve 🌲\nsecond line", "UTF-16BE", "utf-16-be"),
        ("épinette", "8-BIT", "latin-1"),
        ("", "UTF-8", "utf-8"),
    ],
)
def test_kannels_text_comes_in_the_charset_it_names(text: str, charset: str, codec: str) -> None:
    coded = quote_from_bytes(text.encode(codec)).replace("%20", "+")
    query = f"from=%2B19065550123&to=12345&id=8f08&time=2026-11-25+20:22:52&charset={charset}&text={coded}"
    found = by_kannel(query.encode())
    assert (found.id, found.sender, found.recipient, found.text) == ("8f08", PHONE, "12345", text)
    assert found.received_at == "2026-11-25 20:22:52"


def test_a_signed_form_gives_its_message() -> None:
    fields = {"From": PHONE, "To": "+19065550199", "Body": "rolls & sharp\r\nblue", "MessageId": "m1", "Media": "0"}
    found = receive(FORM, by_form(fields), SECRETS, NOW)
    assert (found.id, found.sender, found.recipient, found.text) == ("m1", PHONE, "+19065550199", "rolls & sharp\nblue")


def test_json_gives_its_message_from_where_the_profile_says() -> None:
    found = by_json(message())
    assert (found.id, found.sender, found.recipient, found.text) == ("m1", PHONE, "12345", "soft flat needles")
    assert by_json(message(id=17, **{"from": 19065550123})).sender == "19065550123"
    assert by_json({**message(), "to": []}).recipient == ""


def test_a_recipient_may_be_left_out() -> None:
    assert by_kannel(b"from=12345&id=1&text=hi").recipient == ""


@pytest.mark.parametrize(
    ("said", "heard"),
    [
        ("flat\x00 needles\x07\x1b\x7f\x85", "flat needles"),
        ("one\r\ntwo\rthree\n", "one\ntwo\nthree\n"),
        ("a\tb", "a b"),
        ("half \ud83c here", "half ? here"),
        ("\ud83c\udf32", "🌲"),
    ],
)
def test_control_characters_go_and_half_characters_become_a_mark(said: str, heard: str) -> None:
    assert by_json(message(text=said)).text == heard


def test_bytes_that_mean_nothing_leave_a_mark_and_the_rest_is_heard() -> None:
    assert by_kannel(b"from=12345&id=1&text=flat+%FF+needles").text == "flat � needles"
    assert by_kannel(b"from=12345&id=1&charset=UTF-16BE&text=%D8%3C%00x%00").text == "�x�"


@pytest.mark.parametrize(
    ("query", "told"),
    [
        (b"id=1&text=hi", "'from' is missing"),
        (b"from=12345&text=hi", "'id' is missing"),
        (b"from=12345&id=1", "'text' is missing"),
        (b"", "'id' is missing"),
        (b"from=12345&id=&text=hi", "'id' is empty"),
        (b"from=+&id=1&text=hi", "'from' is empty"),
        (b"from=" + b"1" * 41 + b"&id=1&text=hi", "'from' is empty, too long or unprintable; send 1 to 40"),
        (b"from=12345&id=" + b"1" * 201 + b"&text=hi", "send 1 to 200"),
        (b"from=1%002&id=1&text=hi", "'from' is empty, too long or unprintable"),
        (b"from=1%FF2&id=1&text=hi", "'from' is not UTF-8"),
        (b"from=12345&from=54321&id=1&text=hi", "'from' is given twice"),
        (b"from=12345&id=1&text=hi&charset=rot13", "the charset is not known"),
        (b"from=12345&id=1&text=hi&charset=utf%00", "the charset is not known"),
        (b"&".join([b"a=1"] * 201), "too many fields"),
    ],
)
def test_a_query_that_lacks_something_is_refused_with_what_it_lacks(query: bytes, told: str) -> None:
    with pytest.raises(Refused, match=told) as caught:
        by_kannel(query)
    assert caught.value.status == 400


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"\xff\xfe{\x00}\x00",
        b'{"a": "\xff"}',
        b"[" * 100_000,
        b'{"message": {"id": ' + b"9" * 5000 + b"}}",
        b'{"message": {"id": ' + b"9" * 4000 + b', "from": "12345", "text": ""}}',
        b'{"message": {"id": 1e999, "from": "12345", "text": ""}}',
        b'{"message": {"id": NaN, "from": "12345", "text": ""}}',
        b'{"message": {"id": true, "from": "12345", "text": ""}}',
        b'{"message": {"id": "1", "from": "12345", "text": {"a": 1}}}',
        b'{"message": {"id": "1", "from": ["12345"], "text": ""}}',
        b'{"message": {"id": "1", "from": "12345", "text": null}}',
        b'{"message": [1, 2]}',
        b"[]",
        b"null",
        b'"message"',
    ],
)
def test_json_of_another_shape_is_refused(body: bytes) -> None:
    with pytest.raises(Refused) as caught:
        receive(JSON, request(JSON, body=body), SECRETS, NOW)
    assert caught.value.status == 400


def test_a_forged_or_unsigned_form_is_refused() -> None:
    fields = {"From": PHONE, "Body": "hi", "MessageId": "m1"}
    right = by_form(fields)
    for wrong, told in (
        (replace(right, headers={}), "without a signature"),
        (replace(right, headers={"x-signature": "AAAA"}), "does not fit"),
        (replace(right, body=right.body.replace(b"hi", b"ho")), "does not fit"),
        (replace(right, body=right.body + b"&Extra="), "does not fit"),
        (replace(right, query=b"a=1"), "does not fit"),
        (replace(right, url=URL.replace("chat", "other")), "does not fit"),
        (by_form(fields, secret=b"other"), "does not fit"),
    ):
        with pytest.raises(Refused, match=told) as caught:
            receive(FORM, wrong, SECRETS, NOW)
        assert caught.value.status == 403
    assert receive(FORM, right, SECRETS, NOW).text == "hi"


def test_a_query_written_into_the_address_of_the_settings_does_not_hide_the_real_one() -> None:
    right = by_form({"From": PHONE, "Body": "hi", "MessageId": "m1"})
    with pytest.raises(Refused, match="does not fit"):
        receive(FORM, replace(right, url=f"{URL}?a=1", query=b"a=2"), SECRETS, NOW)


def test_without_a_signing_secret_nothing_is_taken_and_the_settings_are_blamed() -> None:
    with pytest.raises(ChannelError, match="signing secret: is missing") as caught:
        receive(FORM, by_form({"From": PHONE, "Body": "hi", "MessageId": "m1"}, secret=b""), Secrets(), NOW)
    assert not isinstance(caught.value, Refused)


@pytest.mark.parametrize(
    ("peer", "is_taken"),
    [
        ("127.0.0.1", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("127.0.0.2", False),
        ("::ffff:192.0.2.1", False),
        ("2001:db8::1", False),
        ("", False),
        ("localhost", False),
        ("127.0.0.1\x00", False),
        ("127.0.0.1, 192.0.2.1", False),
    ],
)
def test_only_the_addresses_of_the_profile_may_call(peer: str, is_taken: bool) -> None:
    seen = request(KANNEL, query=b"from=12345&id=1&text=hi", peer=peer)
    if is_taken:
        assert receive(KANNEL, seen, SECRETS, NOW).text == "hi"
        return
    with pytest.raises(Refused, match="may not call") as caught:
        receive(KANNEL, seen, SECRETS, NOW)
    assert caught.value.status == 403


def test_a_network_of_addresses_may_call() -> None:
    wide = replace(KANNEL, receive=replace(KANNEL.receive, only_from=(ip_network("192.0.2.0/24"),)))
    assert receive(wide, request(wide, query=b"from=1&id=1&text=hi", peer="192.0.2.77"), SECRETS, NOW).text == "hi"


@pytest.mark.parametrize("method", ["POST", "HEAD", "get", "DELETE", ""])
def test_another_method_is_refused(method: str) -> None:
    with pytest.raises(Refused, match="let the gateway use GET") as caught:
        receive(KANNEL, replace(request(KANNEL), method=method), SECRETS, NOW)
    assert caught.value.status == 405


def test_a_request_that_is_too_long_is_refused_before_it_is_read() -> None:
    for seen in (request(FORM, body=b"a" * (LARGEST_BYTES + 1)), request(FORM, query=b"a" * (LARGEST_BYTES + 1))):
        with pytest.raises(Refused) as caught:
            receive(FORM, seen, SECRETS, NOW)
        assert caught.value.status == 413


def test_a_message_of_255_parts_fits() -> None:
    text = "ʘ" * (255 * 67)
    query = b"from=12345&id=1&charset=UTF-16BE&text=" + quote_from_bytes(text.encode("utf-16-be"), safe="").encode()
    assert by_kannel(query).text == text


def test_neither_a_refusal_nor_a_request_shows_number_or_text() -> None:
    text = "secretly needles"
    query = f"from={PHONE}&id=1&text={text}&text=again".encode()
    with pytest.raises(Refused) as caught:
        by_kannel(query)
    found = by_kannel(f"from={PHONE}&id=1&text={text}".encode())
    shown = f"{caught.value} {caught.value!r} {caught.value.__context__!r} {request(KANNEL, query=query)!r} {found!r}"
    assert "5550123" not in shown
    assert "needles" not in shown


def test_a_refusal_comes_back_whole_from_another_process() -> None:
    refused = Refused("gateway kannel", "is missing", "send it", 403)
    again = pickle.loads(pickle.dumps(refused))
    assert (str(again), again.status) == (str(refused), 403)


def taken(gateway: Gateway, seen: Request) -> Received | int:
    """What comes of a request: its message, or the status of the refusal. Another exception fails the test."""
    try:
        return receive(gateway, seen, SECRETS, NOW)
    except Refused as refused:
        return refused.status


def takes_or_refuses(gateway: Gateway, seen: Request) -> None:
    """Any request gives a message with bounded, printable parts, or a refusal."""
    found = taken(gateway, seen)
    if isinstance(found, int):
        assert found in (400, 403, 405, 413)
        return
    assert 1 <= len(found.sender) <= 40
    assert 1 <= len(found.id) <= 200
    for part in (found.id, found.sender, found.recipient, found.text, found.received_at):
        part.encode()  # no half characters
        assert "\x00" not in part


FIELD_NAMES = st.sampled_from([b"from", b"to", b"id", b"text", b"charset", b"time", b"From", b"Body", b"MessageId"])
VALUES = st.one_of(
    st.binary(max_size=30),
    st.text(max_size=20).map(lambda text: quote_from_bytes(text.encode()).encode()),
    st.sampled_from([b"UTF-16BE", b"8-BIT", b"utf-7", b"idna", b"zlib", b"%", b"%u0041", b"%D8%3C", b"+", b"%00"]),
)
FORMS = st.lists(st.tuples(FIELD_NAMES, VALUES), max_size=8).map(lambda ps: b"&".join(b"=".join(p) for p in ps))
LIKELY_FORMS = st.tuples(VALUES, VALUES, FORMS).map(lambda v: b"from=%s&id=1&text=%s&%s" % v)
LIKELY_JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(st.characters()), st.just(10**300)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from(["message", "from", "text", "id", "to", "0"]), inner, max_size=5),
        st.fixed_dictionaries({"message": st.fixed_dictionaries({"id": inner, "from": inner, "text": inner})}),
    ),
    max_leaves=12,
)


@settings(max_examples=1000)
@given(query=st.one_of(st.binary(), FORMS, LIKELY_FORMS))
def test_any_query_gives_a_message_or_a_refusal(query: bytes) -> None:
    takes_or_refuses(KANNEL, request(KANNEL, query=query))


@settings(max_examples=1000)
@given(body=st.one_of(st.binary(), FORMS, LIKELY_FORMS))
def test_any_form_gives_a_message_or_a_refusal(body: bytes) -> None:
    takes_or_refuses(UNSIGNED_FORM, request(UNSIGNED_FORM, body=body))
    takes_or_refuses(FORM, request(FORM, body=body))


@settings(max_examples=1000)
@given(body=st.one_of(st.binary(), LIKELY_JSON.map(lambda data: json.dumps(data).encode())))
def test_any_json_gives_a_message_or_a_refusal(body: bytes) -> None:
    takes_or_refuses(JSON, request(JSON, body=body))


@settings(max_examples=500)
@given(
    method=st.one_of(st.sampled_from(["GET", "POST"]), st.text()),
    query=st.binary(),
    headers=st.dictionaries(st.sampled_from(["x-signature", "x-id", "x-time"]), st.text(st.characters())),
    body=st.binary(),
    peer=st.one_of(st.text(), st.ip_addresses().map(str)),
)
def test_any_request_gives_a_message_or_a_refusal(
    method: str, query: bytes, headers: dict[str, str], body: bytes, peer: str
) -> None:
    for gateway in (KANNEL, FORM, JSON):
        takes_or_refuses(gateway, Request(method, URL, query, headers, body, peer))
