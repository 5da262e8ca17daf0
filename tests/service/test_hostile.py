"""Whatever comes in by the doors: no fault of ours, nothing half kept, nothing believed that is not signed."""

import json
from urllib.parse import quote_from_bytes

import pytest
from doors import ANSWERING, JSON, SIGNING_KEY, URL, Asked, Posted, door, profile, signed_form, signed_json
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from phones import ANA
from pydantic import SecretStr
from sqlalchemy import select

from chatkey.store.schema import conversations, inbox

NASTY = (
    "",
    "\x00",
    "soft\x00needles",
    "\ud800",
    "a\udfffb",
    "🌲" * 50,
    "\u202esdeen tfos\u202c",
    "\u200b\ufeff",
    "'; DROP TABLE inbox; --",
    '" OR 1=1 --',
    "%s%n%x{0}{self.__class__}${x}",
    "{text}{group}",
    "<script>alert(1)</script>&amp;]]>",
    "../../etc/passwd",
    "\r\nX-Own: yes\r\n\r\n",
    "=cmd|' /C calc'!A0",
    "1" * 4000,
    "9.99999999999999999999 999.12345678",
    "+" * 900,
    "+1 ((((((((((((((((((",
    "(" * 500 + ")" * 500,
    "not " * 300,
    "ſoft ﬂat ½ ⅔ ① ²",
    "e\u0301" * 300,
    "null",
    "NaN",
    "STOP",
    "forget me",
)
FAST = settings(
    deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck), print_blob=False
)
texts = st.one_of(
    st.sampled_from(NASTY),
    st.text(st.characters(), max_size=80),
    st.lists(st.sampled_from(("soft", "not", "needles", "?", "1", "-", "\n", "near", "MI", "°", "'")), max_size=12).map(
        " ".join
    ),
)
raw_texts = st.one_of(texts.map(lambda text: text.encode("utf-8", "surrogatepass")), st.binary(max_size=60))
senders = st.one_of(st.just(ANA), st.integers(100, 199).map("+1906555{:04}".format), texts)
names = st.sampled_from((b"from", b"to", b"text", b"id", b"charset", b"time", b"From", b"", b"x"))
charsets = st.sampled_from((b"UTF-8", b"utf-16be", b"UCS-2", b"8-BIT", b"windows-1252", b"", b"klingon", b"\xff"))
methods = st.sampled_from(("GET", "GET", "GET", "POST", "PUT", "HEAD", "OPTIONS", "DELETE", "BREW", "get", ""))
headers = st.lists(
    st.tuples(
        st.sampled_from((b"x-signature", b"content-type", b"content-length", b"host", b"x")), st.binary(max_size=30)
    ),
    max_size=3,
).map(tuple)
bodies = st.lists(st.binary(max_size=200), min_size=1, max_size=3).map(tuple)


@st.composite
def queries(draw):
    """A query as Kannel's, then broken in some way or in none."""
    fields = {
        b"from": draw(senders).encode("utf-8", "surrogatepass"),
        b"to": b"12345",
        b"id": draw(st.one_of(st.integers(0, 10**9).map(lambda n: b"%d" % n), raw_texts)),
        b"charset": draw(charsets),
        b"text": draw(raw_texts),
    }
    for name in draw(st.lists(st.sampled_from(list(fields)), max_size=1)):
        del fields[name]
    pairs = [*fields.items(), *draw(st.lists(st.tuples(names, raw_texts), max_size=1))]
    whole = "&".join(f"{quote_from_bytes(name)}={quote_from_bytes(value)}" for name, value in pairs).encode()
    return draw(st.one_of(st.just(whole), st.just(whole), st.just(whole[: len(whole) // 2]), st.binary(max_size=80)))


@st.composite
def messages(draw):
    """JSON that has what the profile wants, or other things in those places."""
    odd = st.one_of(texts, st.integers(), st.booleans(), st.none(), st.floats(), st.lists(texts, max_size=2))
    message = {"from": draw(st.one_of(senders, odd)), "to": draw(odd), "text": draw(st.one_of(texts, texts, odd))}
    data = {"id": draw(st.one_of(st.integers(), texts, odd)), "message": draw(st.one_of(st.just(message), odd))}
    shapes = st.sampled_from(range(6))
    text = json.dumps(data, ensure_ascii=draw(st.booleans())).encode("utf-8", "surrogatepass")
    cut = {0: text[:-1], 1: b"[" * 3000 + text, 2: text + text}
    return cut.get(draw(shapes), text)


@pytest.fixture(scope="module")
def kannel(mind, tmp_path_factory):
    yield from _checked(mind, tmp_path_factory.mktemp("kannel"))


@pytest.fixture(scope="module")
def form_post(mind, tmp_path_factory):
    folder = tmp_path_factory.mktemp("form")
    yield from _checked(mind, folder, gateway=profile(folder, ANSWERING), signing_key=SecretStr(SIGNING_KEY))


@pytest.fixture(scope="module")
def json_post(mind, tmp_path_factory):
    folder = tmp_path_factory.mktemp("json")
    yield from _checked(mind, folder, gateway=profile(folder, JSON), signing_key=SecretStr(SIGNING_KEY))


def _checked(mind, folder, **sms):
    with door(folder, mind, **sms) as opened:
        yield opened
        opened.settle()
        assert opened.faults() == []
        _every_row_is_whole(opened)


def _every_row_is_whole(opened):
    with opened.running.keeper.store.read() as connection:
        rows = connection.execute(select(inbox)).all()
        known = set(connection.scalars(select(conversations.c.id)))
    assert len(rows) == opened.n_kept()
    for row in rows:
        assert row.status == "done"
        assert len(row.mark) == 40
        assert row.conversation_id is None or row.conversation_id in known  # none: forgotten, and then its words too
        assert (row.text is None) == (row.conversation_id is None)
        assert "\x00" not in (row.text or "")


def _ask(opened, asked):
    """The answer's status, which is none of a fault; a message was kept where it is 200, and nowhere else."""
    before = opened.n_kept()
    answer = opened.ask(asked)
    assert answer.status < 500
    assert opened.n_kept() - before in ((0, 1) if answer.status == 200 else (0,))
    for name, value in answer.headers:
        assert b"\n" not in name + value
    return answer.status


@settings(FAST, max_examples=800)
@given(query=queries())
def test_any_query_is_taken_or_refused(kannel, query):
    assert _ask(kannel, Asked(query=query)) in (200, 400, 413)


@settings(FAST, max_examples=300)
@given(
    method=methods,
    query=queries(),
    headers=headers,
    parts=bodies,
    leaves=st.sampled_from(("", "a part missing", "all sent")),
)
def test_any_method_header_and_body_is_taken_or_refused(kannel, method, query, headers, parts, leaves):
    status = _ask(kannel, Asked(method, query=query, headers=headers, parts=parts, leaves=leaves))
    assert status in ((200, 400) if method == "GET" else (400, 405))


@settings(FAST, max_examples=350)
@given(fields=st.dictionaries(st.sampled_from(("From", "To", "Body", "MessageId", "x")), senders | texts, max_size=5))
def test_any_signed_form_is_taken_or_refused(form_post, fields):
    assert _ask(form_post, signed_form({"From": ANA, "MessageId": "1", **fields}).asked) in (200, 400)


@settings(FAST, max_examples=400)
@given(body=st.binary(max_size=300), headers=headers)
def test_what_is_not_signed_is_refused(form_post, json_post, body, headers):
    for opened in (form_post, json_post):
        assert _ask(opened, Asked("POST", headers=headers, parts=(body,))) == 403


@settings(FAST, max_examples=200)
@given(text=texts, key=st.text(max_size=20).filter(lambda key: key != SIGNING_KEY))
def test_what_another_key_signed_is_refused(form_post, json_post, text, key):
    fields = {"From": ANA, "Body": text, "MessageId": "forged"}
    assert _ask(form_post, signed_form(fields, key or "x").asked) == 403
    assert _ask(json_post, signed_json(json.dumps(fields).encode(), key or "x").asked) == 403


@settings(FAST, max_examples=200)
@given(text=texts, at=st.integers(0, 10_000), by=st.integers(1, 255))
def test_a_signed_body_that_was_changed_by_one_byte_is_refused(json_post, text, at, by):
    good = signed_json(json.dumps({"id": "changed", "message": {"from": ANA, "text": text}}).encode())
    bad = bytearray(good.body)
    bad[at % len(bad)] ^= by
    assert _ask(json_post, Posted(bytes(bad), good.headers).asked) == 403


@settings(FAST, max_examples=400)
@given(body=messages())
def test_any_signed_json_is_taken_or_refused(json_post, body):
    assert _ask(json_post, signed_json(body).asked) in (200, 400)


@settings(FAST, max_examples=60)
@given(text=texts, id=st.integers(0, 10**9))
def test_a_signed_request_that_is_played_again_keeps_nothing_new(form_post, json_post, text, id):
    again = {"From": ANA, "Body": text, "MessageId": f"again {id}"}
    body = json.dumps({"id": f"again {id}", "message": {"from": ANA, "text": text}}).encode()
    for opened, posted in ((form_post, signed_form(again)), (json_post, signed_json(body))):
        _ask(opened, posted.asked)
        before = opened.n_kept()
        assert [_ask(opened, posted.asked) for _ in range(2)] == [200, 200]
        assert opened.n_kept() == before


@pytest.mark.parametrize(("size", "status"), [(16_384, 400), (16_385, 413), (1_000_000, 413), (8_000_000, 413)])
def test_what_is_over_the_cap_is_refused_with_413(kannel, form_post, json_post, size, status):
    assert kannel.ask(Asked(query=b"x" * size)).status == status
    pieces = (*(size // 1000 * (b"x" * 1000,)), b"x" * (size % 1000))
    for opened in (form_post, json_post):
        for parts in ((b"x" * size,), pieces):
            answer = opened.ask(Asked("POST", parts=parts))
            assert answer.status == (403 if status == 400 else 413)
            assert sum(map(len, parts[: answer.parts_read])) <= max(16_384 + 1000, len(parts[0]))


def test_many_fields_and_deep_json_are_refused(kannel, form_post, json_post):
    assert kannel.ask(Asked(query=b"&".join([b"a=1"] * 3000))).status == 400
    assert form_post.ask(signed_form({f"f{n}": "1" for n in range(900)}).asked).status == 400
    for body in (b"[" * 16_000, b'{"a":' * 3000, b'{"id": ' + b"1" * 10_000 + b"}"):
        assert json_post.ask(signed_json(body).asked).status == 400


def test_a_right_request_is_taken_at_each_door(kannel, form_post, json_post):
    body = json.dumps({"id": "right", "message": {"from": ANA, "to": ["12345"], "text": "soft"}}).encode()
    right = {
        kannel: Asked(query=b"from=%2B19065550101&to=12345&id=right&charset=UTF-8&text=soft"),
        form_post: signed_form({"From": ANA, "Body": "soft", "MessageId": "right"}).asked,
        json_post: signed_json(body).asked,
    }
    for opened, asked in right.items():
        before = opened.n_kept()
        assert _ask(opened, asked) == 200
        assert opened.n_kept() == before + 1


def test_headers_that_name_another_host_change_nothing(form_post):
    posted = signed_form({"From": ANA, "Body": "soft", "MessageId": "host"})
    lies = ((b"host", b"elsewhere"), (b"x-forwarded-for", b"127.0.0.1"), (b"x-forwarded-proto", b"https"))
    assert URL.startswith("http://127.0.0.1:8080/")
    assert form_post.ask(Asked("POST", headers=(*posted.asked.headers, *lies), parts=(posted.body,))).status == 200


@settings(FAST, max_examples=400)
@given(
    path=st.one_of(
        st.sampled_from(("/health", "/ready", "/metrics", "/", "//", "/sms", "/sms/in/", "/health/", "/.env")),
        st.text(st.characters(codec="utf-8"), max_size=20).map(lambda text: f"/{text}"),
    ),
    method=methods,
    query=st.binary(max_size=40),
    headers=headers,
    parts=bodies,
)
def test_every_other_path_answers_its_kind_or_is_not_found(kannel, path, method, query, headers, parts):
    assert _ask(kannel, Asked(method, path, query, headers, parts)) in (200, 404, 405)
