"""A real Kannel for tests: both of its boxes on free ports, and a phone network that speaks the fake centre's lines."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote_from_bytes, unquote_to_bytes

import pytest
from smsutil.codecs import is_valid_gsm  # type: ignore[import-untyped]

NUMBER = "12345"  # what the finders write to
USER, PASSWORD = "larkwater", "a-word-for-tests"
QUERY = "from=%p&to=%P&id=%I&time=%t&charset=%C&text=%b"
BOXES = ("bearerbox", "smsbox")
IS_MISSING = not all(shutil.which(box) for box in BOXES)
# With CI set the tests run and fail where Kannel is missing: nothing is skipped unseen.
needs_kannel = pytest.mark.skipif(IS_MISSING and "CI" not in os.environ, reason="Kannel is not installed here")

# An empty line ends a group. Level 3 and no access log: nothing else would keep numbers and texts out of the logs.
SETTINGS = """\
group = core
admin-port = {admin}
admin-interface = "127.0.0.1"
admin-password = "{password}"
smsbox-port = {inner}
smsbox-interface = "127.0.0.1"
box-allow-ip = "127.0.0.1"
box-deny-ip = "*.*.*.*"
store-type = file
store-location = "store"
sms-combine-concatenated-mo-timeout = 60
log-file = "bearerbox.log"
log-level = 3

group = smsc
smsc = fake
smsc-id = fake
port = {centre}
connect-allow-ip = "127.0.0.1"

group = smsbox
bearerbox-host = "127.0.0.1"
sendsms-port = {send}
sendsms-interface = "127.0.0.1"
log-file = "smsbox.log"
log-level = 3
global-sender = "{number}"
http-request-retry = 30
http-queue-delay = 1
http-timeout = 20
reply-couldnotfetch = "We are not answering just now. Text again in a few minutes."

group = sendsms-user
username = {user}
password = {password}
user-allow-ip = "127.0.0.1"
user-deny-ip = "*.*.*.*"
max-messages = 4
concatenation = true

group = sms-service
keyword = default
catch-all = true
get-url = "{get_url}"
accept-x-kannel-headers = true
max-messages = 4
concatenation = true
omit-empty = true
"""
HEAD = re.compile(rb"^\S+ (?P<to>\+?[0-9]+) (?P<kind>text|ucs-2|data|udh) ", re.MULTILINE)


@dataclass(slots=True)
class Kannel:
    """A running Kannel, seen from the phones: what they send, and what reaches them."""

    push_url: str
    _phones: socket.socket
    _heard: bytearray = field(default_factory=bytearray)
    _changed: threading.Condition = field(default_factory=threading.Condition)

    def send(self, messages: Sequence[tuple[str, str]]) -> None:
        """Each (number, text) comes in as one message, in this order."""
        self._phones.sendall(b"".join(_line(number, text) for number, text in messages))

    def replies(self) -> list[tuple[str, str]]:
        """What has reached the phones up to now: (number, text), with the parts of a long message joined."""
        with self._changed:
            return _read(bytes(self._heard))

    def wait_for(self, count: int, timeout_s: float = 60.0) -> list[tuple[str, str]]:
        """The replies, as soon as there are so many of them; those there are, when the time is over."""
        with self._changed:
            self._changed.wait_for(lambda: self._has(count), timeout_s)
            return _read(bytes(self._heard))

    def _listen(self) -> None:
        with suppress(ConnectionError):
            while data := self._phones.recv(65_536):
                with self._changed:
                    self._heard += data
                    self._changed.notify_all()

    def _has(self, count: int) -> bool:
        return self._heard.count(b"\n") >= count and len(_read(bytes(self._heard))) >= count


@contextmanager
def kannel(folder: Path, *, get_url: str) -> Iterator[Kannel]:
    """A Kannel that hands each message to this address; its files lie in the folder. It is stopped at the end."""
    if IS_MISSING:
        raise FileNotFoundError("bearerbox and smsbox are not installed; apt-get install kannel")
    ports = dict(zip(("admin", "inner", "centre", "send"), free_ports(4), strict=True))
    address = get_url if "?" in get_url else f"{get_url}?{QUERY}"
    (folder / "store").mkdir(parents=True, exist_ok=True)
    settings = SETTINGS.format(**ports, number=NUMBER, user=USER, password=PASSWORD, get_url=address)
    (folder / "kannel.conf").write_text(settings, encoding="utf-8")
    with ExitStack() as stack:
        boxes: list[subprocess.Popen[bytes]] = []
        stack.callback(_stop, boxes)
        for box, port in zip(BOXES, (ports["admin"], ports["send"]), strict=True):
            boxes.append(_start(box, folder))
            _wait_for_port(boxes[-1], port)
        phones = stack.enter_context(socket.create_connection(("127.0.0.1", ports["centre"]), timeout=None))
        running = Kannel(f"http://127.0.0.1:{ports['send']}/cgi-bin/sendsms", phones)
        listener = threading.Thread(target=running._listen, daemon=True)
        listener.start()
        stack.callback(_hang_up, phones, listener)
        yield running


def free_ports(count: int) -> list[int]:
    """So many ports that nobody listens on."""
    with ExitStack() as stack:
        held = [stack.enter_context(socket.socket()) for _ in range(count)]
        for one in held:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in held]


def _start(box: str, folder: Path) -> subprocess.Popen[bytes]:
    with (folder / f"{box}.out").open("wb") as out:
        command = [box, "-v", "2", "kannel.conf"]  # at 2 the reason of a refusal is told, at 4 it is not
        return subprocess.Popen(command, cwd=folder, stdin=subprocess.DEVNULL, stdout=out, stderr=out)


def _wait_for_port(box: subprocess.Popen[bytes], port: int) -> None:
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            if _is_over(box, within_s=0.05):
                raise RuntimeError(f"a box of Kannel ended at once with {box.returncode}; see its .out file") from None
        else:
            return
    raise TimeoutError(f"a box of Kannel does not listen on port {port}")


def _is_over(box: subprocess.Popen[bytes], *, within_s: float) -> bool:
    try:
        box.wait(within_s)
    except subprocess.TimeoutExpired:
        return False
    return True


def _stop(boxes: list[subprocess.Popen[bytes]]) -> None:
    for box in reversed(boxes):
        box.terminate()
    for box in reversed(boxes):
        if not _is_over(box, within_s=15):
            box.kill()
            box.wait()


def _hang_up(phones: socket.socket, listener: threading.Thread) -> None:
    with suppress(OSError):  # the box may have hung up before
        phones.shutdown(socket.SHUT_RDWR)
    listener.join()


def _line(number: str, text: str) -> bytes:
    """One message in the centre's protocol: as plain text, or as the UCS-2 that a phone sends outside GSM 03.38."""
    if is_valid_gsm(text) and "\n" not in text:
        return f"{number} {NUMBER} text {text}\n".encode()
    return f"{number} {NUMBER} ucs2 {quote_from_bytes(text.encode('utf-16-be', 'surrogatepass'))}\n".encode()


def _read(heard: bytes) -> list[tuple[str, str]]:
    """The messages in what the centre wrote. A plain one may run over several lines: it ends where the next begins."""
    heads = list(HEAD.finditer(heard))
    ends = [*(head.start() for head in heads), len(heard)][1:]
    found: list[tuple[str, str]] = []
    parts: dict[tuple[str, int], bytes] = {}
    for head, end in zip(heads, ends, strict=True):
        to, content = head["to"].decode(), heard[head.end() : end].removesuffix(b"\n")
        if head["kind"] != b"udh":
            found.append((to, READ[head["kind"]](content)))
            continue
        header, _, data = content.partition(b" data ")
        reference, count, number = unquote_to_bytes(header)[3:6]
        joined = parts[to, reference] = parts.get((to, reference), b"") + _unquoted(data)
        if number == count:
            found.append((to, _text(parts.pop((to, reference), joined))))
    return found


def _unquoted(data: bytes) -> bytes:
    return unquote_to_bytes(data.replace(b"+", b" "))


def _wide(data: bytes) -> str:
    return _unquoted(data).decode("utf-16-be", "replace")


def _text(joined: bytes) -> str:
    """The text of joined parts; the centre does not say in which coding: in UCS-2 our letters have an empty half."""
    return joined.decode("utf-16-be", "replace") if b"\0" in joined else joined.decode("utf-8", "replace")


READ: dict[bytes, Callable[[bytes], str]] = {
    b"text": lambda data: data.decode("utf-8", "replace"),
    b"data": lambda data: _unquoted(data).decode("latin-1"),
    b"ucs-2": _wide,
}
