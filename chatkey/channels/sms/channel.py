"""SMS as a channel: a gateway's requests in, letters out, and how replies are written for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import httpx

from chatkey.channels.base import Delivery
from chatkey.channels.sms.fold import fold, fold_text
from chatkey.channels.sms.gateway import Gateway, Secrets
from chatkey.channels.sms.inbound import Received, Request, receive
from chatkey.channels.sms.keywords import Keyword, keyword
from chatkey.channels.sms.numbers import address
from chatkey.channels.sms.push import push
from chatkey.channels.sms.segments import JOINED_SEGMENT, ONE_SEGMENT
from chatkey.channels.writing import Writing
from chatkey.dialog import Mind
from chatkey.dialog.reply import Ask, Block

NAME = "sms"


@dataclass(frozen=True, slots=True)
class SmsWriting(Writing):
    """Replies in the letters and the room of text messages."""

    segments: int = 2
    name: ClassVar[str] = NAME
    keywords: ClassVar[Sequence[Keyword]] = ("stop", "start", "help", "more")

    @property
    def room(self) -> int:
        """How many letters a reply may have."""
        return ONE_SEGMENT if self.segments == 1 else self.segments * JOINED_SEGMENT

    def fit(
        self, mind: Mind, blocks: Sequence[Block], ask: Ask | None, question: int = 0, reply_to: int = 0
    ) -> tuple[str, str]:
        """The text that is sent and the rest that had no room. Questions are answered by number or in words."""
        del question, reply_to
        folded = fold(blocks, ask, self.segments, more=mind.script.say("sms_more"))
        return folded.text, folded.rest

    def fit_text(self, mind: Mind, text: str, reply_to: int = 0) -> tuple[str, str]:
        """A plain text and what of it had no room."""
        del reply_to
        folded = fold_text(text, self.segments, more=mind.script.say("sms_more"))
        return folded.text, folded.rest

    def keyword(self, mind: Mind, text: str) -> Keyword | None:
        """STOP, START, HELP and their like, alone in a message."""
        return keyword(text, mind.script.tables["keywords"])


@dataclass(frozen=True, slots=True, eq=False)
class SmsChannel:
    """One gateway and one number of ours."""

    gateway: Gateway
    secrets: Secrets
    number: str
    region: str
    client: httpx.AsyncClient

    def receive(self, request: Request, now: float) -> tuple[Received, str]:
        """The message of a request and the address that a reply goes to. Raises Refused or ChannelError."""
        received = receive(self.gateway, request, self.secrets, now)
        return received, address(received.sender, self.region)

    async def send(self, address: str, text: str) -> Delivery:
        """Hands one text to the gateway."""
        sent = await push(self.client, self.gateway, self.secrets, sender=self.number, recipient=address, text=text)
        return Delivery(sent)
