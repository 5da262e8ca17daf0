"""What a gateway of SMS is to us: how it hands a message over, how it signs, and how it takes a reply."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from ipaddress import IPv4Network, IPv6Network, ip_network
from pathlib import Path
from typing import Literal, TypeVar, get_args
from urllib.parse import urlsplit

from chatkey.channels.base import ChannelError
from chatkey.knowledge.yaml_nodes import Entry, KnowledgeError, nearest, read_file

Method = Literal["GET", "POST"]
FieldsIn = Literal["query", "form", "json"]
Signs = Literal["nothing", "url_and_fields", "body", "id_timestamp_body"]
Algorithm = Literal["sha1", "sha256"]
Writing = Literal["base64", "hex"]
Login = Literal["none", "basic", "fields", "bearer"]
Way = Literal["response", "push"]
Outcome = Literal["sent", "later", "refused", "stopped"]  # of a push; refused: for good; stopped: the number opted out
Network = IPv4Network | IPv6Network

SHIPPED = Path(__file__).parent / "gateways"
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
STATUSES = {str(status) for status in range(100, 600)} | {f"{first}xx" for first in range(1, 6)}
T = TypeVar("T", bound=str)


@dataclass(frozen=True, slots=True)
class Receive:
    """How a message comes in. In JSON a field is named with its way: `message.from`, `to.0.number`."""

    method: Method
    fields_in: FieldsIn
    sender: str
    text: str
    id: str
    recipient: str = ""
    charset: str = ""
    received_at: str = ""
    only_from: tuple[Network, ...] = ()  # none: from anywhere


@dataclass(frozen=True, slots=True)
class Signing:
    """What a gateway signs, and in which headers (lower case) it says so."""

    signs: Signs = "nothing"
    algorithm: Algorithm = "sha256"
    written_in: Writing = "base64"
    header: str = ""
    id_header: str = ""
    timestamp_header: str = ""
    prefix: str = ""
    secret_in: Literal["text", "base64"] = "text"
    body_digest: str = ""  # the query field with the SHA-256 of a body that the signature does not cover itself
    tolerance_s: float = 300.0  # either way; the usual window (common practice)


@dataclass(frozen=True, slots=True)
class Template:
    """What stands in the answer to a request, with a reply and without one."""

    content_type: str = "text/plain"
    with_text: str = "{text}"
    without_text: str = ""
    outside_gsm: Mapping[str, str] = field(default_factory=dict)  # headers


@dataclass(frozen=True, slots=True)
class Push:
    """How a message is sent by a request of ours, and what its answer means."""

    method: Method
    fields_in: FieldsIn
    sender: str
    recipient: str
    text: str
    url: str = ""
    always: Mapping[str, str] = field(default_factory=dict)
    outside_gsm: Mapping[str, str] = field(default_factory=dict)
    login: Login = "none"
    user_field: str = ""
    password_field: str = ""
    timeout_s: float = 10.0
    by_status: Mapping[str, Outcome] = field(default_factory=dict)  # "202" or "2xx"
    code_at: str = ""
    by_code: Mapping[str, Outcome] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Gateway:
    """One gateway, as its profile tells. It holds no secret."""

    name: str
    receive: Receive
    signing: Signing
    answer: Template
    reply: Way
    push: Push | None = None

    @property
    def where(self) -> str:
        return f"gateway {self.name}"

    def at(self, push_url: str) -> Gateway:
        """The same gateway with its pushes sent to this address. Raises ChannelError."""
        if self.push is None:
            raise ChannelError(self.where, "takes no pushes", "leave the address out, or add `push:` to its profile")
        if not _is_web_address(push_url):
            raise ChannelError(self.where, "the address for pushes is none", "begin it with http:// or https://")
        return replace(self, push=replace(self.push, url=push_url))


@dataclass(frozen=True, slots=True, repr=False)
class Secrets:
    """What only the settings know of a gateway. With `bearer` the password is the token."""

    signing: str = ""
    user: str = ""
    password: str = ""

    def __repr__(self) -> str:
        return "Secrets(***)"


def read_gateway(name_or_path: str) -> Gateway:
    """The gateway of a shipped profile ("kannel"), or of the profile at a path. Raises ChannelError."""
    shipped = {path.stem: path for path in SHIPPED.glob("*.yaml")}
    if name_or_path not in shipped and "/" not in name_or_path and not name_or_path.endswith((".yaml", ".yml")):
        mend = f"{nearest(name_or_path, shipped)}, or give the path of a profile"
        raise ChannelError(f"gateway {name_or_path[:40]!r}", "is not known", mend)
    path = shipped.get(name_or_path, Path(name_or_path))
    try:
        return _gateway(path.stem, read_file(path, SHIPPED))
    except KnowledgeError as error:
        raise ChannelError(*error.args) from None


def _gateway(name: str, top: Entry) -> Gateway:
    pairs = top.pairs(("receive", "signature", "answer", "reply", "push"), required=("receive", "reply"))
    receive = _receive(pairs["receive"])
    signing = _signing(pairs["signature"], receive) if "signature" in pairs else Signing()
    answer = _template(pairs["answer"]) if "answer" in pairs else Template()
    push = _push(pairs["push"]) if "push" in pairs else None
    reply = _one_of(pairs["reply"], WAYS)
    if reply == "push" and push is None:
        raise top.error("'push' is missing", "say how a reply is pushed, or write `reply: response`")
    return Gateway(name, receive, signing, answer, reply, push)


def _receive(entry: Entry) -> Receive:
    names = ("sender", "text", "id")
    more = ("recipient", "charset", "received_at")
    pairs = entry.pairs(("method", "fields_in", "only_from", *names, *more), required=("method", "fields_in", *names))
    method, fields_in = _request_kind(pairs)
    if fields_in == "json" and "charset" in pairs:
        raise pairs["charset"].error("JSON has no charset of its own", "take the line out: it is UTF-8")
    return Receive(
        method,
        fields_in,
        **{name: pairs[name].text() for name in (*names, *more) if name in pairs},
        only_from=tuple(_network(item) for item in pairs["only_from"].items()) if "only_from" in pairs else (),
    )


def _signing(entry: Entry, receive: Receive) -> Signing:
    texts = ("header", "id_header", "timestamp_header", "prefix", "body_digest")
    kinds = ("signs", "algorithm", "written_in", "secret_in")
    pairs = entry.pairs((*kinds, *texts, "tolerance_s"), required=("signs",))
    signs = _one_of(pairs["signs"], SIGNS)
    needed = {
        "nothing": (),
        "url_and_fields": ("algorithm", "header", *(("body_digest",) if receive.fields_in == "json" else ())),
        "body": ("algorithm", "header"),
        "id_timestamp_body": ("algorithm", "header", "id_header", "timestamp_header"),
    }
    entry.pairs(required=needed[signs])
    if signs in ("body", "id_timestamp_body") and receive.fields_in == "query":
        raise pairs["signs"].error("what stands in the query would go unsigned", "use url_and_fields")
    return Signing(
        signs,
        _one_of(pairs["algorithm"], ALGORITHMS) if "algorithm" in pairs else "sha256",
        _one_of(pairs["written_in"], WRITINGS) if "written_in" in pairs else "base64",
        secret_in=_one_of(pairs["secret_in"], SECRETS_IN) if "secret_in" in pairs else "text",
        tolerance_s=pairs["tolerance_s"].number(low=1, high=3600) if "tolerance_s" in pairs else 300.0,
        **{name: _header_or_text(name, pairs[name]) for name in texts if name in pairs},
    )


def _template(entry: Entry) -> Template:
    texts = ("content_type", "with_text", "without_text")
    pairs = entry.pairs((*texts, "outside_gsm"), required=("content_type",))
    found = Template(
        **{name: pairs[name].text() for name in texts if name in pairs},
        outside_gsm=_fixed(pairs["outside_gsm"]) if "outside_gsm" in pairs else {},
    )
    if found.with_text.count("{text}") != 1:
        raise pairs["with_text"].error("the reply has no one place", "write {text} once, where the reply goes")
    return found


def _push(entry: Entry) -> Push:
    names = ("sender", "recipient", "text")
    more = ("url", "user_field", "password_field", "code_at")
    kinds = ("method", "fields_in", "login", "timeout_s", "always", "outside_gsm", "by_status", "by_code")
    pairs = entry.pairs((*names, *more, *kinds), required=("method", "fields_in", "by_status", *names))
    method, fields_in = _request_kind(pairs)
    login = _one_of(pairs["login"], LOGINS) if "login" in pairs else "none"
    entry.pairs(required=("user_field", "password_field") if login == "fields" else ())
    entry.pairs(required=("code_at",) if "by_code" in pairs else ())
    if "url" in pairs and not _is_web_address(pairs["url"].text()):
        raise pairs["url"].error("is no web address", "begin it with http:// or https://")
    return Push(
        method,
        fields_in,
        login=login,
        timeout_s=pairs["timeout_s"].number(low=0.1, high=60) if "timeout_s" in pairs else 10.0,
        by_status=_outcomes(pairs["by_status"], STATUSES),
        by_code=_outcomes(pairs["by_code"]) if "by_code" in pairs else {},
        always=_fixed(pairs["always"]) if "always" in pairs else {},
        outside_gsm=_fixed(pairs["outside_gsm"]) if "outside_gsm" in pairs else {},
        **{name: pairs[name].text() for name in (*names, *more) if name in pairs},
    )


def _request_kind(pairs: Mapping[str, Entry]) -> tuple[Method, FieldsIn]:
    method, fields_in = _one_of(pairs["method"], METHODS), _one_of(pairs["fields_in"], FIELDS_IN)
    if method == "GET" and fields_in != "query":
        raise pairs["fields_in"].error("a GET has no body", "write `fields_in: query`, or `method: POST`")
    return method, fields_in


def _outcomes(entry: Entry, allowed: Collection[str] | None = None) -> dict[str, Outcome]:
    """What each status or code means, turned round: "202" -> "sent"."""
    found: dict[str, Outcome] = {}
    for name, values in entry.pairs(OUTCOMES).items():
        for item in values.items():
            value = item.text() if allowed is None else item.one_of(allowed)
            if value in found:
                raise item.error(f"{value!r} already means {found[value]!r}", "keep one of them")
            found[value] = next(outcome for outcome in OUTCOMES if outcome == name)
    return found


def _network(entry: Entry) -> Network:
    try:
        return ip_network(entry.text())
    except ValueError:
        raise entry.error("is no network of addresses", "write it like 192.0.2.0/24, or 192.0.2.7/32") from None


def _header_or_text(name: str, entry: Entry) -> str:
    return entry.text().lower() if name.endswith("header") else entry.text()


def _fixed(entry: Entry) -> dict[str, str]:
    return {name: value.text() for name, value in entry.pairs().items()}


def _one_of(entry: Entry, allowed: tuple[T, ...]) -> T:
    return allowed[allowed.index(entry.one_of(allowed))]


def _is_web_address(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        return False


METHODS: tuple[Method, ...] = get_args(Method)
FIELDS_IN: tuple[FieldsIn, ...] = get_args(FieldsIn)
SIGNS: tuple[Signs, ...] = get_args(Signs)
ALGORITHMS: tuple[Algorithm, ...] = get_args(Algorithm)
WRITINGS: tuple[Writing, ...] = get_args(Writing)
SECRETS_IN: tuple[Literal["text", "base64"], ...] = ("text", "base64")
LOGINS: tuple[Login, ...] = get_args(Login)
WAYS: tuple[Way, ...] = get_args(Way)
