"""Marks and seals: addresses are kept as keyed hashes to find them by, and encrypted to reply to."""

from __future__ import annotations

import base64
import binascii
import hmac
import os
from hashlib import sha256

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from chatkey.terms import ChatkeyError

KEY_BYTES = 32
MARK_LETTERS = 40  # 160 bits, the leftmost of HMAC-SHA256 (NIST FIPS 198-1 allows the cut)
NONCE_BYTES = 12  # NIST SP 800-38D


class SealError(ChatkeyError):
    """A key that is missing or does not fit."""


class Seal:
    """What one secret key can do: mark (one way), shut and open. Each purpose has a key of its own (HKDF)."""

    __slots__ = ("_cipher", "_marking")

    def __init__(self, key: bytes) -> None:
        if len(key) < KEY_BYTES:
            raise SealError("key", f"has {len(key)} bytes", f"it needs {KEY_BYTES}; make one with `chatkey store key`")
        self._marking = _derived(key, b"chatkey mark")
        self._cipher = AESGCM(_derived(key, b"chatkey address"))

    def mark(self, *parts: str) -> str:
        """The keyed hash of some parts, 40 hexadecimal digits; the same for ever under one key."""
        message = b"".join(len(data).to_bytes(4, "big") + data for data in (part.encode() for part in parts))
        return hmac.new(self._marking, message, sha256).hexdigest()[:MARK_LETTERS]

    def shut(self, channel: str, address: str) -> bytes:
        """The address sealed for one channel: nonce, then AES-GCM."""
        nonce = os.urandom(NONCE_BYTES)
        return nonce + self._cipher.encrypt(nonce, address.encode(), channel.encode())

    def open(self, channel: str, sealed: bytes) -> str:
        """The address again. Raises SealError where the key or the channel is another."""
        try:
            return self._cipher.decrypt(sealed[:NONCE_BYTES], sealed[NONCE_BYTES:], channel.encode()).decode()
        except (InvalidTag, ValueError):
            raise SealError("address", "can't be opened with this key", "use the key the store was made with") from None


def new_key() -> str:
    """A fresh key, as it stands in a file: base64 of 32 random bytes."""
    return base64.b64encode(os.urandom(KEY_BYTES)).decode()


def read_key(text: str) -> bytes:
    """The bytes of a key in base64. Raises SealError; its words never hold the key."""
    try:
        return base64.b64decode(text.strip(), validate=True)
    except (binascii.Error, ValueError):
        raise SealError("key", "is no base64", "make one with `chatkey store key`") from None


def _derived(key: bytes, purpose: bytes) -> bytes:
    return HKDF(algorithm=SHA256(), length=KEY_BYTES, salt=None, info=purpose).derive(key)
