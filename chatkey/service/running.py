"""The loops of the process that serves: think about what came, send what is due, keep house. Messages are never lost
between them: each reads from the store what the one before has kept."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from math import ceil

import structlog

from chatkey.dialog.handover import Desk
from chatkey.service.keeper import Keeper, either
from chatkey.service.metrics import Metrics
from chatkey.service.pool import Thinkers, ThinkingError
from chatkey.service.post import FIRST_PAUSE_S, LONGEST_PAUSE_S, POLL_S, Clock, Post
from chatkey.service.thinking import Frame
from chatkey.store import queue
from chatkey.store.engine import StoreUnavailableError
from chatkey.store.erase import Retention, archive
from chatkey.store.inbox import MOST_TRIES, count_try, is_waiting, next_work, receive
from chatkey.store.messages import Inbound, Received, Thought, Work
from chatkey.store.outbox import counts
from chatkey.store.turns import finish

HOUSE_S = 60.0

log = structlog.get_logger()


@dataclass(slots=True)
class Running:
    """One serving process at work. Everything that changes is in the store; this can be killed at any time."""

    keeper: Keeper
    thinkers: Thinkers
    frame: Frame
    post: Post
    retention: Retention
    metrics: Metrics
    clock: Clock
    promised_days: int = 3  # within which the group says it answers
    held_s: Mapping[str, float] = field(default_factory=dict)  # by channel: replies are left so long to the response
    first: list[Callable[[], Awaitable[None]]] = field(default_factory=list)  # what a channel does before all loops
    tasks: list[Callable[[], Awaitable[None]]] = field(default_factory=list)  # loops of channels, beside ours
    handed: asyncio.Event = field(default_factory=asyncio.Event)  # something waits for the stewards
    _came: asyncio.Event = field(default_factory=asyncio.Event)
    _in_hand: dict[int, asyncio.Task[None]] = field(default_factory=dict)
    _loops: list[asyncio.Task[None]] = field(default_factory=list)
    _answered: dict[int, list[asyncio.Event]] = field(default_factory=dict)
    _suspects: set[int] = field(default_factory=set)  # conversations at which a thinking process died

    async def begin(self) -> None:
        """Starts the loops."""
        await self._refresh_desk()
        await self.thinkers.warm()
        for prepare in self.first:
            await prepare()
        sending = [partial(self.post.send, channel) for channel in self.post.senders]
        loops: tuple[Callable[[], Awaitable[None]], ...] = (self._think, *sending, self._keep_house, *self.tasks)
        self._loops = [asyncio.create_task(self._keep_going(loop)) for loop in loops]

    async def end(self, grace_s: float = 10.0) -> None:
        """Finishes what was taken: thinks to the end, sends what the gateway takes, then stops. What is left waits in
        the store for the next start."""
        try:
            async with asyncio.timeout(grace_s):
                await self._drain()
        except TimeoutError:
            log.warning("stopped_before_all_was_done", in_hand=len(self._in_hand))
        except StoreUnavailableError as error:
            log.error("store_unavailable", at="stop", what=error.args[1])
        self.stopping.set()
        self._came.set()
        self.handed.set()
        self.post.posted()
        _, late = await asyncio.wait(self._loops, timeout=grace_s) if self._loops else (set(), set())
        for task in (*late, *self._in_hand.values()):
            task.cancel()
        await asyncio.gather(*self._loops, *self._in_hand.values(), return_exceptions=True)
        await asyncio.to_thread(self.thinkers.close)
        self.keeper.close()

    @property
    def stopping(self) -> asyncio.Event:
        """Set once all loops shall end."""
        return self.post.stopping

    @property
    def is_well(self) -> bool:
        """The loops are all alive."""
        return bool(self._loops) and not any(loop.done() for loop in self._loops)

    async def take(self, inbound: Inbound) -> Received:
        """Keeps one message, then lets it be thought about. Raises StoreUnavailableError: then it was not kept."""
        received = await self.keeper.db(receive, self.keeper.store, inbound, self.clock())
        if not received.is_new:
            self.metrics.doubled.labels(inbound.channel).inc()
        elif received.is_muted:
            self.metrics.muted.labels(inbound.channel).inc()
        else:
            self.metrics.received.labels(inbound.channel).inc()
            self._came.set()
        return received

    async def answered(self, message: int, wait_s: float) -> bool:
        """Waits until a message was thought about; False where that takes longer."""
        event = asyncio.Event()
        waiting = self._answered.setdefault(message, [])
        waiting.append(event)
        try:
            async with asyncio.timeout(wait_s):
                while await self.keeper.look(is_waiting, self.keeper.store, message):
                    await either(event, POLL_S)  # another process may be the one that answers it
        except TimeoutError:
            return False
        finally:
            waiting.remove(event)
            if not waiting:
                self._answered.pop(message, None)
        return True

    async def _keep_going(self, loop: Callable[[], Awaitable[None]]) -> None:
        """A loop that outlives what nobody foresaw."""
        while not self.stopping.is_set():
            try:
                await loop()
            except Exception as error:
                log.error("loop_broke_off", error=error)
                await either(self.stopping, FIRST_PAUSE_S)

    async def _think(self) -> None:
        pause = FIRST_PAUSE_S
        while not self.stopping.is_set():
            self._came.clear()
            try:
                room = self._room()
                found = await self.keeper.look(next_work, self.keeper.store, set(self._in_hand), room) if room else []
                pause = FIRST_PAUSE_S
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="next_work", what=error.args[1])
                await either(self.stopping, pause)
                pause = min(2 * pause, LONGEST_PAUSE_S)
                continue
            for work in found:
                task = asyncio.create_task(self._handle(work))
                self._in_hand[work.conversation] = task
                task.add_done_callback(partial(self._let_go, work.conversation))
            self.metrics.in_hand.set(len(self._in_hand))
            if not found:
                if not self._in_hand:
                    self._suspects.clear()  # what nobody waits for any more is above suspicion
                await either(self._came, POLL_S)

    def _room(self) -> int:
        """How many conversations may be taken in hand. One at a time after a thinking process died: which message it
        died of is known only of one that it had alone."""
        if self._suspects:
            return 0 if self._in_hand else 1
        return self.thinkers.slots - len(self._in_hand)

    def _let_go(self, conversation: int, _task: asyncio.Task[None]) -> None:
        self._in_hand.pop(conversation, None)
        self._came.set()

    async def _handle(self, work: Work) -> None:
        """One conversation's messages: thought about, kept. Whatever goes wrong, they stay waiting or are set aside."""
        try:
            if work.messages[0].attempts:  # one of several broke it off: now one by one
                work = replace(work, messages=work.messages[:1])
            start = time.perf_counter()
            if work.messages[0].attempts >= MOST_TRIES:
                thoughts = await self._set_aside(work)
            else:
                thoughts = await self.thinkers.think(self.frame, work)
            self.metrics.thinking.observe(time.perf_counter() - start)
            now, held_s = self.clock(), self.held_s.get(work.channel, 0.0)
            self._suspects.discard(work.conversation)
            if await self.keeper.db(finish, self.keeper.store, work, thoughts, now, held_s):
                self.metrics.turns.inc(len(thoughts))
                for message in work.messages[: len(thoughts)]:
                    self.metrics.waited.observe(max(0.0, now - message.received_at))
                    for event in self._answered.get(message.id, ()):
                        event.set()
                self.post.posted()
                for thought in thoughts:
                    for nod in thought.nods:
                        self.post.nod(work.channel, work.sealed, nod)
                if any(thought.handed for thought in thoughts):
                    self.handed.set()
                if any(thought.forgets_reader or thought.drops_names for thought in thoughts):
                    await self.post.scrub()
        except StoreUnavailableError as error:
            log.error("store_unavailable", at="finish", what=error.args[1])
            await either(self.stopping, FIRST_PAUSE_S)
        except ThinkingError as error:
            log.error("thinking_process_died", in_hand=len(self._in_hand), error=error)
            self._suspects.add(work.conversation)
            if len(self._in_hand) == 1:
                await self._count(work)
            await either(self.stopping, FIRST_PAUSE_S)
        except Exception as error:  # a fault of ours: the message is tried again, then set aside
            log.error("thinking_failed", message=work.messages[0].id, error=error)
            await self._count(work)

    async def _set_aside(self, work: Work) -> list[Thought]:
        try:
            thoughts = await self.thinkers.set_aside(self.frame, work)
        except ThinkingError:
            raise
        except Exception as error:  # what is kept of the conversation can't be read: it is said all the same
            log.error("conversation_unreadable", conversation=work.conversation, error=error)
            thoughts = await self.thinkers.set_aside(self.frame, replace(work, state=None))
        self.metrics.failed.inc()
        return thoughts

    async def _count(self, work: Work) -> None:
        try:
            await self.keeper.db(count_try, self.keeper.store, work.messages[0].id)
        except StoreUnavailableError:
            await either(self.stopping, FIRST_PAUSE_S)

    async def _keep_house(self) -> None:
        while not self.stopping.is_set():
            try:
                await self._refresh_desk()
                gone = await self.keeper.db(archive, self.keeper.store, self.retention, self.clock())
                if gone:
                    log.info("archived", conversations=gone)
                await self.post.scrub()
                self.metrics.waiting.set((await self.keeper.look(counts, self.keeper.store)).get("waiting", 0))
                self.metrics.open.set(await self.keeper.look(queue.n_open, self.keeper.store))
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="house", what=error.args[1])
            await either(self.stopping, HOUSE_S)

    async def _refresh_desk(self) -> None:
        """How long an answer takes is told by the last ones, never shorter than what the group promises."""
        desk = self.frame.desk
        if desk is None:
            return
        late = await self.keeper.look(queue.days_of_late, self.keeper.store)
        days = max(self.promised_days, ceil(late) if late else 0)
        if days != desk.days:
            self.frame = replace(self.frame, desk=Desk(desk.name, days))

    async def _drain(self) -> None:
        """Until nothing waits to be thought about, and nothing is due or the gateway is away."""
        while True:
            if self._in_hand:
                await asyncio.wait(list(self._in_hand.values()))
            elif await self.keeper.look(next_work, self.keeper.store, (), 1):
                self._came.set()
                await asyncio.sleep(0.01)
            elif not await self.post.is_done():
                self.post.posted()
                await asyncio.sleep(0.01)
            else:
                return
