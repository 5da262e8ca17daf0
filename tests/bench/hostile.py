"""Broken, forged and nasty requests at every door: how they were answered, and that no fault of ours was among them.

    python tests/bench/hostile.py [--full]

--full: 100,000 requests at each endpoint. A part of them is made by Schemathesis from a description of our endpoints
(DESCRIBED), the rest by breaking right requests byte by byte (seeded). They go straight into the application: real
store, real thinking, real gateway on the loopback. Ends with 1 where an answer was 5xx or not described, an error was
logged, or the store holds another number of messages than were answered with 200 and new.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote_from_bytes

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS), str(TESTS / "service")]

import requests
import schemathesis
from doors import ANSWERING, JSON, SIGNING_KEY, Answer, Asked, Door, door, pass_in, profile, signed_form, signed_json
from hypothesis import HealthCheck, Phase, given, settings
from pydantic import SecretStr
from sqlalchemy import func, select

from chatkey.app import open_mind
from chatkey.dialog import Mind
from chatkey.service.serve import PATH
from chatkey.store.schema import inbox

AT_ONCE = 500  # then what was kept is thought about
OF_SCHEMATHESIS = 50  # one in so many
COLUMNS = (200, 400, 403, 404, 405, 413)
PIECES = (
    *(b"", b"\x00", b"\xff\xfe", b"\xed\xa0\x80", b"%s%n", b"{text}", b"'; DROP TABLE inbox; --", b"<b>&]]>", b"\r\n"),
    *(
        "🌲".encode(),
        "\u202esoft\u202c".encode(),
        b"soft flat needles",
        b"near Marquette MI",
        b"not ",
        b"2 in",
        b"STOP",
    ),
    *(b"46.54321,-87.39876", b"+" * 300, b"9" * 400, b"(" * 200, b"MORE", b"is it hemlock", b"no cones", b"forget me"),
)
NAMES = (b"from", b"to", b"text", b"id", b"charset", b"From", b"Body", b"MessageId", b"", b"\xff")
CHARSETS = (b"UTF-8", b"UTF-8", b"utf-16be", b"8-BIT", b"windows-1252", b"klingon")
METHODS = ("POST", "PUT", "HEAD", "OPTIONS", "DELETE", "PATCH", "BREW")

TEXT = {"type": "string"}
QUERY = [{"name": name, "in": "query", "schema": TEXT} for name in ("from", "to", "id", "charset", "text", "time")]


def _says(*statuses: int) -> dict[str, object]:
    return {str(status): {"description": "as the status says"} for status in statuses}


DESCRIBED: dict[str, dict[str, Any]] = {
    PATH: {"get": {"parameters": QUERY, "responses": _says(200, 400, 403, 413, 429, 503)}},
    "/health": {"get": {"responses": _says(200)}},
    "/ready": {"get": {"responses": _says(200, 503)}},
    "/metrics": {"get": {"responses": _says(200)}},
}
OPENAPI = {"openapi": "3.1.0", "info": {"title": "chatkey", "version": "1"}, "paths": DESCRIBED}


@dataclass(slots=True)
class Tally:
    """How the requests at one endpoint were answered."""

    statuses: Counter[int] = field(default_factory=Counter)
    slowest_s: float = 0.0
    n_kept: int = 0
    n_rows: int = 0
    faults: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def add(self, asked: Asked, answer: Answer, took_s: float) -> None:
        self.statuses[answer.status] += 1
        self.slowest_s = max(self.slowest_s, took_s)
        if answer.status >= 500 or answer.status == 0:
            self.faults.append(f"{answer.status} to {asked!r:.300}")

    @property
    def is_bad(self) -> bool:
        return bool(self.faults) or self.n_kept != self.n_rows


Make = Callable[[random.Random, int], Asked]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--bodies", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    n = 100_000 if options.full else options.bodies
    mind = open_mind()
    names = "".join(f"{name:>8}" for name in (*COLUMNS, "5xx", "kept"))
    print(f"{'endpoint':22}{'requests':>9}{names}{'slowest ms':>12}{'seconds':>9}")
    bad = 0
    for name, make in DOORS.items():
        tally = attack(name, make, mind, n, options.seed)
        bad += tally.is_bad
        _show(name, tally)
    return 1 if bad else 0


def attack(name: str, make: Make, mind: Mind, n: int, seed: int) -> Tally:
    """So many requests at one endpoint of an application of its own."""
    chance, tally, start = random.Random(seed), Tally(), time.perf_counter()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        with door(folder, mind, **_gateway(name, folder)) as opened:
            of_schemathesis = _from_description(opened, name, n // OF_SCHEMATHESIS, tally)
            for first in range(of_schemathesis, n, AT_ONCE):
                part = [make(chance, k) for k in range(first, min(first + AT_ONCE, n))]
                assert opened.client.portal is not None
                opened.client.portal.call(_ask_all, opened, part, tally)
                opened.settle()
            tally.n_kept = opened.n_kept()
            with opened.running.keeper.store.read() as connection:
                tally.n_rows = connection.scalar(select(func.count()).select_from(inbox)) or 0
            tally.faults += [json.dumps(line) for line in opened.faults()]
    tally.seconds = time.perf_counter() - start
    return tally


async def _ask_all(opened: Door, part: list[Asked], tally: Tally) -> None:
    for asked in part:
        start = time.perf_counter()
        answer = await pass_in(opened.client.app, asked)
        tally.add(asked, answer, time.perf_counter() - start)


def _from_description(opened: Door, name: str, n: int, tally: Tally) -> int:
    """Requests that Schemathesis makes from the description, where the endpoint is in it; how many."""
    path = name.split()[-1]
    if path not in DESCRIBED or name in ("form", "json"):
        return 0
    operation = schemathesis.openapi.from_dict(OPENAPI)[path]["GET"]
    described, made = DESCRIBED[path]["get"]["responses"], 0

    @settings(
        max_examples=n,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def each(case: schemathesis.Case) -> None:
        nonlocal made
        made += 1
        asked = _asked(case)
        start = time.perf_counter()
        answer = opened.ask(asked)
        tally.add(asked, answer, time.perf_counter() - start)
        if str(answer.status) not in described:
            tally.faults.append(f"{answer.status} is not described: {asked!r:.300}")

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of libraries, about each other
        each()
    opened.settle()
    return made


def _asked(case: schemathesis.Case) -> Asked:
    """The case as it would go over the line."""
    given = case.as_transport_kwargs(base_url="http://127.0.0.1:8080")
    known = {
        key: given[key] for key in ("method", "url", "headers", "params", "data", "json", "cookies") if key in given
    }
    prepared = requests.Request(**known).prepare()
    path, _, query = str(prepared.path_url).partition("?")
    headers = tuple((k.lower().encode("latin-1"), str(v).encode("latin-1")) for k, v in prepared.headers.items())
    body = prepared.body if isinstance(prepared.body, bytes) else (prepared.body or "").encode()
    return Asked(prepared.method or "GET", path, query.encode(), headers, (body,))


def _gateway(name: str, folder: Path) -> dict[str, object]:
    if name not in ("form", "json"):
        return {}
    text = ANSWERING if name == "form" else JSON
    return {"gateway": profile(folder, text), "signing_key": SecretStr(SIGNING_KEY)}


def _query(chance: random.Random, k: int) -> Asked:
    fields = {b"from": _sender(chance), b"to": b"12345", b"id": b"%d" % _id(chance, k), b"text": _text(chance)}
    fields[b"charset"] = chance.choice(CHARSETS)
    if chance.random() < 0.3:
        fields[chance.choice(NAMES)] = _text(chance)
    if chance.random() < 0.2:
        del fields[chance.choice(list(fields))]
    query = b"&".join(quote_from_bytes(a).encode() + b"=" + quote_from_bytes(b).encode() for a, b in fields.items())
    method = "GET" if chance.random() < 0.95 else chance.choice(METHODS)
    return Asked(
        method,
        query=_broken(chance, query),
        parts=tuple(_parts(chance)),
        leaves="a part missing" if chance.random() < 0.02 else "",
    )


def _form(chance: random.Random, k: int) -> Asked:
    fields = {"From": _sender(chance), "To": b"12345", "Body": _text(chance), "MessageId": b"%d" % _id(chance, k)}
    if chance.random() < 0.3:
        del fields[chance.choice(list(fields))]
    posted = signed_form({name: value.decode("utf-8", "replace") for name, value in fields.items()})
    return _maybe_broken(chance, posted.asked)


def _json(chance: random.Random, k: int) -> Asked:
    text: object = _text(chance).decode("utf-8", "surrogateescape")
    odd = chance.choice((None, True, 1.5, [], {}, [text], 10**30, -1, ""))
    message = {"from": _sender(chance).decode("utf-8", "replace"), "to": ["12345"], "text": text}
    if chance.random() < 0.2:
        message[chance.choice(list(message))] = odd
    data = {
        "id": _id(chance, k) if chance.random() < 0.9 else odd,
        "message": message if chance.random() < 0.95 else odd,
    }
    body = json.dumps(data, ensure_ascii=True).encode()
    signed = signed_json(_broken(chance, body) if chance.random() < 0.3 else body)
    return _maybe_broken(chance, signed.asked)


def _other(path: str) -> Make:
    def make(chance: random.Random, _k: int) -> Asked:
        where = path or "/" + _text(chance).decode("utf-8", "replace")
        method = "GET" if chance.random() < 0.5 else chance.choice(METHODS)
        headers = ((chance.choice((b"host", b"accept", b"content-length", b"x")), _text(chance)),)
        return Asked(method, where, _text(chance), headers, tuple(_parts(chance)))

    return make


def _maybe_broken(chance: random.Random, asked: Asked) -> Asked:
    """As it is, or (three in ten) forged, unsigned, cut or far too long."""
    what = chance.random()
    if what < 0.1:
        return Asked(asked.method, headers=asked.headers, parts=(_broken(chance, asked.parts[0]),))
    if what < 0.2:
        return Asked(asked.method, headers=asked.headers[:1], parts=asked.parts)
    if what < 0.22:
        return Asked("POST", headers=asked.headers, parts=40 * (b"x" * 1000,), leaves="a part missing")
    if what < 0.3:
        return Asked(chance.choice(METHODS), headers=asked.headers, parts=tuple(_parts(chance)))
    return asked


def _id(chance: random.Random, k: int) -> int:
    """A new one, or one that came before."""
    return k if chance.random() < 0.4 else chance.randrange(k + 1)


def _sender(chance: random.Random) -> bytes:
    return b"+1906555%04d" % chance.randrange(100, 200) if chance.random() < 0.9 else _text(chance)


def _text(chance: random.Random) -> bytes:
    if chance.random() < 0.1:
        return chance.randbytes(chance.randrange(60))
    return b" ".join(chance.choices(PIECES, k=chance.randrange(1, 5)))


def _parts(chance: random.Random) -> Iterator[bytes]:
    for _ in range(chance.randrange(1, 3)):
        yield chance.randbytes(chance.randrange(100))


def _broken(chance: random.Random, data: bytes) -> bytes:
    """As it is, or (three in ten) cut, with a byte changed, doubled, or far too long."""
    what, at = chance.random(), chance.randrange(len(data) or 1)
    if what < 0.1:
        return data[:at]
    if what < 0.2:
        return data[:at] + chance.randbytes(1) + data[at + 1 :]
    if what < 0.25:
        return data + b"&" + data
    return data * 200 if what < 0.3 else data


def _show(name: str, tally: Tally) -> None:
    n_faulty = sum(n for status, n in tally.statuses.items() if status >= 500 or status == 0)
    shown = "".join(f"{n:8}" for n in (*(tally.statuses[status] for status in COLUMNS), n_faulty, tally.n_kept))
    total = sum(tally.statuses.values())
    print(f"{name:22}{total:9}{shown}{1000 * tally.slowest_s:12.0f}{tally.seconds:9.0f}", flush=True)
    if tally.n_kept != tally.n_rows:
        print(f"  {tally.n_kept} were kept, {tally.n_rows} are in the store")
    for fault in tally.faults[:5]:
        print(f"  {fault}")


DOORS: dict[str, Make] = {
    PATH: _query,
    "form": _form,
    "json": _json,
    "/health": _other("/health"),
    "/ready": _other("/ready"),
    "/metrics": _other("/metrics"),
    "any other path": _other(""),
}

if __name__ == "__main__":
    sys.exit(main())
