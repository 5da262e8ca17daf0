"""Phones that write to a serving application in this process, the gateway between, and what the stewards see."""

from __future__ import annotations

import itertools
import time
from dataclasses import dataclass, field

import httpx
from gateway import Gateway
from starlette.testclient import TestClient

from chatkey.dialog import Mind
from chatkey.service.serve import PATH, frame_of, store_of
from chatkey.service.settings import Settings
from chatkey.service.stewards import Answered, give_answer, queue_view
from chatkey.store import Store

ANA, BEN = "+19065550101", "+19065550102"
PATIENCE_S = 30.0
ids = map(str, itertools.count(1))


class Clock:
    """The time as tests set it."""

    def __init__(self) -> None:
        self.now = 1_790_000_000.0

    def __call__(self) -> float:
        return self.now


@dataclass(slots=True)
class Phones:
    """Phones, the gateway between them and the application, and what the stewards see."""

    client: TestClient
    gateway: Gateway
    settings: Settings
    mind: Mind
    clock: Clock
    seen: dict[str, int] = field(default_factory=dict)

    def deliver(self, number: str, text: str, id: str | None = None) -> httpx.Response:
        """One message as Kannel hands it over."""
        fields = {"from": number, "to": "12345", "id": id or next(ids), "charset": "UTF-8", "text": text}
        return self.client.get(PATH, params=fields)

    def say(self, number: str, text: str, id: str | None = None) -> str:
        """One message, and the next text that this phone gets."""
        assert self.deliver(number, text, id).status_code == 200
        return self.next(number)

    def next(self, number: str) -> str:
        """The next text that this phone gets, once it is written down that it was sent."""
        text = self.arriving(number)
        until = time.monotonic() + PATIENCE_S
        while self.client.app.state.running.post.handed:  # else the cautions of this text are carried into the next
            assert time.monotonic() < until, "a text was sent, and that is not written down"
            time.sleep(0.005)
        return text

    def arriving(self, number: str) -> str:
        """The next text that this phone gets, be it written down or not."""
        n = self.seen[number] = self.seen.get(number, 0) + 1
        self.gateway.wait(n, number=number)
        return self.gateway.texts(number)[n - 1]

    def silence(self, number: str, text: str) -> None:
        """One message that gets no answer: another phone's, written after it, is answered first."""
        assert self.deliver(number, text).status_code == 200
        self.say("+19065550199", "help")
        assert len(self.gateway.texts(number)) == self.seen.get(number, 0)

    def queue(self) -> list[dict[str, object]]:
        """What waits for a steward."""
        store = self.store()
        try:
            return queue_view(store, self.mind)
        finally:
            store.close()

    def answer(self, id: object, text: str = "", verdict: str = "none") -> Answered:
        """A steward's answer, from another process as it were."""
        store = self.store()
        writing = frame_of(self.settings, self.mind).channels
        try:
            return give_answer(
                store, self.mind, writing, int(str(id)), text=text, verdict=verdict, by="Dana", now=self.clock()
            )
        finally:
            store.close()

    def store(self) -> Store:
        return store_of(self.settings)
