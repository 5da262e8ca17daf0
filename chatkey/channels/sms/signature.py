"""Whether a request was signed by who knows the secret: the three ways in which gateways of SMS sign."""

from __future__ import annotations

import binascii
import hashlib
import hmac
import re
from base64 import b64decode, b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlsplit

from chatkey.channels.base import ChannelError
from chatkey.channels.sms.gateway import Algorithm, Signing

Standing = Literal["signed", "unsigned", "forged", "old"]
Fields = Sequence[tuple[bytes, bytes]]  # of a form, decoded once, in the order they came

PORTS = {"http": 80, "https": 443}
MOST_SIGNATURES = 20  # in one header; a secret that is being changed gives two


@dataclass(frozen=True, slots=True)
class Signed:
    """What a signature may cover. `url` is the outside address without its query, header names are in lower case."""

    url: str
    query: bytes
    headers: Mapping[str, str]
    fields: Fields
    body: bytes


def standing(signing: Signing, key: bytes, signed: Signed, now: float) -> Standing:
    """How a request stands: signed by the holder of the key, or why it is not. `now` is in seconds since 1970."""
    if signing.signs == "nothing":
        return "signed"
    given = tuple(_given(signing, signed.headers.get(signing.header, "")))
    if not given:
        return "unsigned"
    if not _body_is_meant(signing, signed):
        return "forged"
    digests = tuple(_digests(signing, key, signed))
    if not any(hmac.compare_digest(_written(signing, digest), one) for digest in digests for one in given):
        return "forged"
    return "signed" if _is_fresh(signing, signed.headers, now) else "old"


def key_of(signing: Signing, secret: str) -> bytes:
    """The key that a secret stands for. Raises ChannelError where it is missing or is not what the profile says."""
    if signing.signs == "nothing":
        return b""
    if signing.secret_in == "text":
        key = secret.encode("utf-8", "surrogatepass")
    else:
        try:
            key = b64decode(secret.removeprefix("whsec_"), validate=True)
        except (binascii.Error, ValueError):
            raise ChannelError("signing secret", "is not base64", "copy it whole from the gateway") from None
    if not key:
        raise ChannelError("signing secret", "is missing", "set it as the gateway shows it")
    return key


def url_and_fields(key: bytes, url: bytes, fields: Fields, algorithm: Algorithm = "sha1") -> bytes:
    """The digest of an address and the fields sorted by name; of a repeated name each value once, sorted too."""
    text = b"".join(name + value for name, value in sorted(set(fields)))
    return digest(key, url + text, algorithm)


def id_timestamp_body(key: bytes, id: bytes, timestamp: bytes, body: bytes, algorithm: Algorithm = "sha256") -> bytes:
    """The digest of id, timestamp and body with dots between (Standard Webhooks)."""
    return digest(key, b".".join((id, timestamp, body)), algorithm)


def digest(key: bytes, data: bytes, algorithm: Algorithm) -> bytes:
    """The HMAC of the data (RFC 2104)."""
    return hmac.new(key, data, hashlib.sha1 if algorithm == "sha1" else hashlib.sha256).digest()


def addresses(url: str) -> tuple[str, ...]:
    """The address as it is, and with its port written or left out: gateways differ in which they sign."""
    parts = urlsplit(url)
    port = parts.port or PORTS.get(parts.scheme)
    bare = parts.netloc.removesuffix(f":{port}")
    return tuple(dict.fromkeys((url, *(parts._replace(netloc=host).geturl() for host in (bare, f"{bare}:{port}")))))


def _digests(signing: Signing, key: bytes, signed: Signed) -> Iterator[bytes]:
    """Each digest that would do."""
    headers, algorithm = signed.headers, signing.algorithm
    if signing.signs == "url_and_fields":
        query = b"?" + signed.query if signed.query else b""
        for url in addresses(signed.url):
            yield url_and_fields(key, url.encode() + query, signed.fields, algorithm)
    elif signing.signs == "body":
        yield digest(key, signed.body, algorithm)
    else:
        id, timestamp = (_bytes(headers.get(name, "")) for name in (signing.id_header, signing.timestamp_header))
        yield id_timestamp_body(key, id, timestamp, signed.body, algorithm)


def _given(signing: Signing, header: str) -> Iterable[bytes]:
    """The signatures of a header: several with blanks between; those with another prefix are of another kind."""
    found = [word for word in header.split()[:MOST_SIGNATURES] if word.startswith(signing.prefix)]
    for word in found:
        bare = word.removeprefix(signing.prefix)
        yield _bytes(bare.lower() if signing.written_in == "hex" else bare)


def _written(signing: Signing, digest: bytes) -> bytes:
    return b64encode(digest) if signing.written_in == "base64" else digest.hex().encode()


def _body_is_meant(signing: Signing, signed: Signed) -> bool:
    """A body that the signature leaves out is bound to it by its SHA-256 in the signed query."""
    if not signing.body_digest:
        return True
    name = signing.body_digest.encode() + b"="
    told = [field.removeprefix(name).lower() for field in signed.query.split(b"&") if field.startswith(name)]
    return len(told) == 1 and hmac.compare_digest(hashlib.sha256(signed.body).hexdigest().encode(), told[0])


def _is_fresh(signing: Signing, headers: Mapping[str, str], now: float) -> bool:
    if signing.signs != "id_timestamp_body":
        return True
    told = headers.get(signing.timestamp_header, "")
    return bool(re.fullmatch("[0-9]{1,12}", told)) and abs(now - int(told)) <= signing.tolerance_s


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "replace")
