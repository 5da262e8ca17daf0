"""Where a reply goes: a chat, or a topic of it. Written "CHAT" or "CHAT/TOPIC"."""

from __future__ import annotations

import re
from dataclasses import dataclass

from chatkey.channels.base import ChannelError

WRITTEN = re.compile(r"(-?[1-9][0-9]{0,15})(?:/([1-9][0-9]{0,15}))?", re.ASCII)
LARGEST_ID = 2**52 - 1  # the Bot API promises that ids fit in 52 bits


@dataclass(frozen=True, slots=True)
class Address:
    """A chat (below zero: a group) and the topic in it, None where it has none."""

    chat: int
    topic: int | None = None

    def __str__(self) -> str:
        return str(self.chat) if self.topic is None else f"{self.chat}/{self.topic}"

    @property
    def is_group(self) -> bool:
        return self.chat < 0


def read_address(text: str) -> Address:
    """The address that a text is. Raises ChannelError."""
    found = WRITTEN.fullmatch(text)
    if found:
        chat, topic = int(found[1]), int(found[2]) if found[2] else None
        if abs(chat) <= LARGEST_ID and (topic or 0) <= LARGEST_ID:
            return Address(chat, topic)
    raise ChannelError("address of a chat", "can't be read", 'write "CHAT" or "CHAT/TOPIC", both whole numbers')
