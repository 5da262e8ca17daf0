"""A gateway's request as one message: address, method, signature and fields are checked before anything is believed."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address
from urllib.parse import unquote_to_bytes

from chatkey.channels.base import ChannelError, whole
from chatkey.channels.sms.gateway import Gateway, Network, Receive, Secrets
from chatkey.channels.sms.members import member
from chatkey.channels.sms.signature import Fields, Signed, Standing, key_of, standing

LARGEST_BYTES = 200_000  # 255 parts of 67 units, each byte percent-encoded, are 102,510
MOST_FIELDS = 200
LONGEST_NUMBER = 40
LONGEST_ID = 200
CHARSETS = {  # a gateway's name for it -> Python's
    **dict.fromkeys(("", "utf-8", "utf8"), "utf-8"),
    **dict.fromkeys(("utf-16be", "ucs-2", "ucs2", "iso-10646-ucs-2"), "utf-16-be"),
    **dict.fromkeys(("8-bit", "iso-8859-1", "latin1", "us-ascii"), "latin-1"),
    "windows-1252": "cp1252",
}
UNPROVEN: Mapping[Standing, tuple[str, str]] = {
    "unsigned": ("a request came without a signature", "set the header that the gateway signs in"),
    "forged": ("a signature does not fit", "check the signing secret, and the outside address in the settings"),
    "old": ("a request is too old or from the future", "check the clocks of both machines"),
}


@dataclass(frozen=True, slots=True, repr=False)
class Request:
    """What came over HTTP; header names are in lower case.

    `url` is the address as the outside knows it: built from the settings, never from headers, and without its query.
    """

    method: str
    url: str
    query: bytes
    headers: Mapping[str, str]
    body: bytes
    peer: str  # the address that called


@dataclass(frozen=True, slots=True, repr=False)
class Received:
    """One message as a gateway handed it over. `id` is the gateway's, the same when it tries again."""

    id: str
    sender: str
    recipient: str
    text: str
    received_at: str = ""  # as the gateway writes it


class Refused(ChannelError):  # noqa: N818  it is an answer, as much as a fault
    """A request that is not taken; `status` is what to answer. It holds no number and no text."""

    def __init__(self, where: str, what: str, mend: str, status: int = 400) -> None:
        super().__init__(where, what, mend)
        self.status = status


def receive(gateway: Gateway, request: Request, secrets: Secrets, now: float) -> Received:
    """The message of a request; `now` is in seconds since 1970.

    Raises Refused for whatever may come from outside, and ChannelError where our own signing secret is amiss.
    """
    key = key_of(gateway.signing, secrets.signing)
    if not _is_known(request.peer, gateway.receive.only_from):
        raise _refused(gateway, "an address that may not call did", "add it to `only_from` if it is the gateway's", 403)
    if request.method != gateway.receive.method:
        raise _refused(gateway, "the method is another", f"let the gateway use {gateway.receive.method}", 405)
    if max(len(request.body), len(request.query)) > LARGEST_BYTES:
        raise _refused(gateway, "a request is too long", f"keep it within {LARGEST_BYTES:,} bytes", 413)
    fields = _fields(gateway, request)
    signed = Signed(request.url.partition("?")[0], request.query, request.headers, _form(gateway, fields), request.body)
    found = standing(gateway.signing, key, signed, now)
    if found != "signed":
        raise _refused(gateway, *UNPROVEN[found], 403)
    values = _json_values(gateway, request.body) if gateway.receive.fields_in == "json" else _values(gateway, fields)
    return _received(gateway, values)


def _received(gateway: Gateway, values: Mapping[str, bytes]) -> Received:
    names = gateway.receive
    return Received(
        id=_word(gateway, values, names.id, LONGEST_ID),
        sender=_word(gateway, values, names.sender, LONGEST_NUMBER),
        recipient=_word(gateway, values, names.recipient, LONGEST_NUMBER) if names.recipient in values else "",
        text=_text(gateway, values),
        received_at=_plain(values.get(names.received_at, b"").decode("utf-8", "replace"))[:LONGEST_NUMBER],
    )


def _fields(gateway: Gateway, request: Request) -> Fields:
    """The fields of a form or query as bytes: their charset is known only when all are read. JSON has none."""
    if gateway.receive.fields_in == "json":
        return ()
    pieces = (request.query if gateway.receive.fields_in == "query" else request.body).split(b"&")
    if len(pieces) > MOST_FIELDS:
        raise _refused(gateway, "there are too many fields", f"send at most {MOST_FIELDS}")
    halves = [piece.replace(b"+", b" ").partition(b"=") for piece in pieces if piece]
    return [(unquote_to_bytes(name), unquote_to_bytes(value)) for name, _, value in halves]


def _form(gateway: Gateway, fields: Fields) -> Fields:
    """The fields that a signature covers beside the address: a query is in the address already."""
    return fields if gateway.receive.fields_in == "form" else ()


def _values(gateway: Gateway, fields: Fields) -> dict[str, bytes]:
    """The fields we read, by name. One that is given twice is refused: nobody could say which is meant."""
    wanted = {name.encode(): name for name in _names(gateway.receive)}
    found: dict[str, bytes] = {}
    for raw, value in fields:
        if (name := wanted.get(raw)) is None:
            continue
        if name in found:
            raise _refused(gateway, f"the field {name!r} is given twice", "send it once")
        found[name] = value
    return found


def _json_values(gateway: Gateway, body: bytes) -> dict[str, bytes]:
    try:
        data: object = json.loads(body.decode("utf-8"))
    except (ValueError, RecursionError):
        raise _refused(gateway, "the body is no JSON that can be read", "send one object in UTF-8") from None
    found = {name: _member(gateway, data, name) for name in _names(gateway.receive)}
    return {name: value for name, value in found.items() if value is not None}


def _member(gateway: Gateway, data: object, name: str) -> bytes | None:
    found = member(data, name)
    if found is None:
        return None
    if isinstance(found, bool) or not isinstance(found, str | int):
        raise _refused(gateway, f"the field {name!r} is no text", "send a string")
    return whole(str(found)).encode()


def _names(receive: Receive) -> list[str]:
    names = (receive.id, receive.sender, receive.recipient, receive.text, receive.charset, receive.received_at)
    return [name for name in names if name]


def _word(gateway: Gateway, values: Mapping[str, bytes], name: str, longest: int) -> str:
    try:
        word = _needed(gateway, values, name).decode("utf-8").strip()
    except UnicodeDecodeError:
        raise _refused(gateway, f"the field {name!r} is not UTF-8", "send it in UTF-8") from None
    if not word or len(word) > longest or any(_is_control(character) for character in word):
        raise _refused(gateway, f"the field {name!r} is empty, too long or unprintable", f"send 1 to {longest} letters")
    return word


def _text(gateway: Gateway, values: Mapping[str, bytes]) -> str:
    """What the finder wrote. Bytes that mean nothing become marks: a message with a hole is better than none."""
    charset = values.get(gateway.receive.charset, b"").decode("latin-1").strip().lower()
    if charset not in CHARSETS:
        raise _refused(gateway, "the charset is not known", f"use one of: {', '.join(filter(None, CHARSETS))}")
    return _plain(_needed(gateway, values, gateway.receive.text).decode(CHARSETS[charset], "replace"))


def _needed(gateway: Gateway, values: Mapping[str, bytes], name: str) -> bytes:
    if name not in values:
        raise _refused(gateway, f"the field {name!r} is missing", "send it, or change its name in the profile")
    return values[name]


def _plain(text: str) -> str:
    """The text without control characters; line ends are kept, a tab is a blank."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
    return "".join(character for character in lines if character == "\n" or not _is_control(character))


def _is_control(character: str) -> bool:
    return unicodedata.category(character) == "Cc"


def _is_known(peer: str, only_from: tuple[Network, ...]) -> bool:
    if not only_from:
        return True
    try:
        address = ip_address(peer)
    except ValueError:
        return False
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return any(address in network for network in only_from)


def _refused(gateway: Gateway, what: str, mend: str, status: int = 400) -> Refused:
    return Refused(gateway.where, what, mend, status)
