"""The way out: letters that are due go to their channel, one at a time in each, and what became of them is kept."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

import structlog

from chatkey.channels.base import Delivery
from chatkey.service.keeper import Keeper, either
from chatkey.service.metrics import Metrics
from chatkey.store.engine import StoreUnavailableError
from chatkey.store.erase import move_address, scrub
from chatkey.store.messages import Due
from chatkey.store.outbox import claim, due, follow, give_up, mark_sent, note_opt_out, try_later, wait_until

Clock = Callable[[], float]

POLL_S = 1.0  # how soon what another process put into the store is seen
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
LEAST_WAIT_S = 0.01
SCRUB_TRIES = 4  # then it waits for the next time that house is kept

log = structlog.get_logger()


class Sender(Protocol):
    """The outside of a channel: hands one text to one address over."""

    async def send(self, address: str, text: str) -> Delivery: ...


@runtime_checkable
class Nodder(Protocol):
    """A channel that gives small signs at once, which may be lost."""

    async def nod(self, address: str, nod: Mapping[str, Any]) -> None: ...


@dataclass(slots=True)
class Post:
    """The letters of one process. In each channel one is marked before the next: a process that is killed repeats one
    of a channel at the most."""

    keeper: Keeper
    senders: Mapping[str, Sender]
    metrics: Metrics
    clock: Clock
    claim_s: float = 30.0  # longer than a push can take: for so long a letter is this process's
    stopping: asyncio.Event = field(default_factory=asyncio.Event)
    handed: set[int] = field(default_factory=set)  # letters that go out, or went out and are not written down yet
    _posted: dict[str, asyncio.Event] = field(init=False)
    _away: set[str] = field(default_factory=set)  # channels that took nothing the last time
    _nods: set[asyncio.Task[None]] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._posted = {channel: asyncio.Event() for channel in self.senders}

    def posted(self) -> None:
        """Something new is in the outbox."""
        for event in self._posted.values():
            event.set()

    def nod(self, channel: str, sealed: bytes | None, nod: Mapping[str, Any]) -> None:
        """A small sign, given beside all else; nobody waits for it."""
        sender = self.senders.get(channel)
        if sealed is None or not isinstance(sender, Nodder):
            return
        address = self.keeper.store.seal.open(channel, sealed)
        task = asyncio.create_task(sender.nod(address, nod))
        self._nods.add(task)
        task.add_done_callback(self._nods.discard)

    async def write_down(self, letter: int) -> None:
        """Writes down that a letter went out; where the store is away, as soon as it is back."""
        self.handed.add(letter)
        self.metrics.sent.labels("sent").inc()
        while not self.stopping.is_set():
            try:
                await self.keeper.db(mark_sent, self.keeper.store, letter, self.clock())
                self.handed.discard(letter)
                return
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="sent", what=error.args[1])
                await either(self.stopping, FIRST_PAUSE_S)

    async def is_done(self) -> bool:
        """Nothing is due, but where a channel is away."""
        channels = tuple(channel for channel in self.senders if channel not in self._away)
        return not channels or not await self.keeper.look(due, self.keeper.store, self.clock(), 1, channels)

    async def send(self, channel: str) -> None:
        """The loop of one channel."""
        pause, soon, posted = 0.0, float("inf"), self._posted[channel]
        while not self.stopping.is_set():
            posted.clear()
            try:
                letter = await self._next_letter(channel)
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="due", what=error.args[1])
                letter = None
            delivery = await self._deliver(letter) if letter else None
            if delivery is None:
                now = self.clock()
                await either(posted, min(POLL_S, max(soon - now, LEAST_WAIT_S)))
                soon = soon if soon > now else float("inf")
                continue
            if delivery.outcome == "paced":
                soon = min(soon, self.clock() + delivery.wait_s)
                continue
            if delivery.outcome == "later":  # the gateway is away: letters wait, one of them tries
                self._away.add(channel)
                pause = min(2 * pause or FIRST_PAUSE_S, LONGEST_PAUSE_S)
                await either(self.stopping, pause)
            else:
                self._away.discard(channel)
                pause = 0.0

    async def scrub(self) -> None:
        """Cleans the files of what was erased; where somebody reads just then, a little later."""
        try:
            for _ in range(SCRUB_TRIES):
                if await self.keeper.db(scrub, self.keeper.store, self.clock()):
                    return
                await either(self.stopping, FIRST_PAUSE_S)
        except StoreUnavailableError:
            log.warning("scrub_waits")

    async def _next_letter(self, channel: str) -> Due | None:
        now, store = self.clock(), self.keeper.store
        if store.is_sqlite:
            found = await self.keeper.look(claim, store, now, now, (channel,))
        else:
            found = await self.keeper.db(claim, store, now, now + self.claim_s, (channel,))
        return None if found is None or found.id in self.handed else found

    async def _deliver(self, letter: Due) -> Delivery:
        self.handed.add(letter.id)  # till it is written down no response carries it as well
        try:
            return await self._hand_over(letter)
        finally:
            self.handed.discard(letter.id)

    async def _hand_over(self, letter: Due) -> Delivery:
        try:
            address = self.keeper.store.seal.open(letter.channel, letter.sealed)
            delivery = await self.senders[letter.channel].send(address, letter.text)
        except Exception as error:  # a fault of ours, or a channel that is not set up any more: the others go on
            log.error("sending_failed", id=letter.id, error=error)
            address, delivery = "", Delivery("refused")
        if delivery.outcome != "paced":
            self.metrics.sent.labels(delivery.outcome).inc()
            log.info("letter", id=letter.id, outcome=delivery.outcome, attempts=letter.attempts)
        while True:
            try:
                await self.keeper.db(self._note, letter, address, delivery)
                break
            except StoreUnavailableError as error:  # it went out: nothing else may go before that is written down
                log.error("store_unavailable", at="sent", what=error.args[1])
                await asyncio.sleep(FIRST_PAUSE_S)
                if self.stopping.is_set():
                    break
        if delivery.outcome == "sent" and letter.forgets:
            await self.scrub()
        return delivery

    def _note(self, letter: Due, address: str, delivery: Delivery) -> None:
        """What became of it, into the store."""
        store, now = self.keeper.store, self.clock()
        if delivery.outcome == "sent":
            mark_sent(store, letter.id, now, delivery.message or None)
        elif delivery.outcome == "later":
            try_later(store, letter, now)
        elif delivery.outcome == "paced":
            wait_until(store, letter.id, now + max(delivery.wait_s, LEAST_WAIT_S))
        elif delivery.outcome == "moved":
            move_address(store, letter.channel, address, delivery.moved_to, now)
            follow(store, letter, delivery.moved_to)
        elif delivery.outcome == "stopped":
            note_opt_out(store, letter, address, now)
        else:
            give_up(store, letter.id)
