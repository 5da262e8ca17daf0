"""SMS as a channel: a gateway's requests in, letters out, and how replies are written for it."""

from __future__ import annotations

from dataclasses import dataclass

import httpx

from chatkey.channels.sms.fold import fold, fold_text
from chatkey.channels.sms.gateway import Gateway, Outcome, Secrets
from chatkey.channels.sms.inbound import Received, Request, receive
from chatkey.channels.sms.keywords import Keyword, keyword
from chatkey.channels.sms.numbers import address
from chatkey.channels.sms.push import push
from chatkey.dialog import Mind
from chatkey.dialog.reply import Ask, Block

NAME = "sms"


@dataclass(frozen=True, slots=True)
class SmsWriting:
    """Replies in the letters and the room of text messages."""

    segments: int = 2

    def fit(self, mind: Mind, blocks: tuple[Block, ...], ask: Ask | None) -> tuple[str, str]:
        """The text that is sent and the rest that had no room."""
        folded = fold(blocks, ask, self.segments, more=mind.script.say("sms_more"))
        return folded.text, folded.rest

    def fit_text(self, mind: Mind, text: str) -> tuple[str, str]:
        """A plain text and what of it had no room."""
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

    async def send(self, address: str, text: str) -> Outcome:
        """Hands one text to the gateway."""
        return await push(self.client, self.gateway, self.secrets, sender=self.number, recipient=address, text=text)
