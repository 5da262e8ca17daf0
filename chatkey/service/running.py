"""The loops of the process that serves: think about what came, send what is due, keep house. Messages are never lost
between them: each reads from the store what the one before has kept."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from math import ceil
from typing import Literal, ParamSpec, Protocol, TypeVar

import structlog

from chatkey.dialog.handover import Desk
from chatkey.service.metrics import Metrics
from chatkey.service.pool import Thinkers, ThinkingError
from chatkey.service.thinking import Frame
from chatkey.store import Store, queue
from chatkey.store.engine import StoreUnavailableError
from chatkey.store.erase import Retention, archive, scrub
from chatkey.store.inbox import MOST_TRIES, count_try, is_waiting, next_work, receive
from chatkey.store.messages import Due, Inbound, Received, Thought, Work
from chatkey.store.outbox import claim, counts, due, give_up, mark_sent, note_opt_out, try_later
from chatkey.store.turns import finish

Outcome = Literal["sent", "later", "refused", "stopped"]
Clock = Callable[[], float]
P = ParamSpec("P")
T = TypeVar("T")

POLL_S = 1.0  # how soon what another process put into the store is seen
HOUSE_S = 60.0
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
READERS = 2
STORE_THREADS = 4  # on PostgreSQL; SQLite has one writer, and one thread spares it the waiting

log = structlog.get_logger()


class Sender(Protocol):
    """The outside of a channel: hands one text to one address over."""

    async def send(self, address: str, text: str) -> Outcome: ...


@dataclass(slots=True)
class Running:
    """One serving process at work. Everything that changes is in the store; this can be killed at any time."""

    store: Store
    thinkers: Thinkers
    frame: Frame
    senders: Mapping[str, Sender]
    retention: Retention
    metrics: Metrics
    clock: Clock
    promised_days: int = 3  # within which the group says it answers
    claim_s: float = 30.0  # longer than a push can take: for so long a letter is this process's
    held_s: Mapping[str, float] = field(default_factory=dict)  # by channel: replies are left so long to the response
    _writers: ThreadPoolExecutor = field(init=False)
    _readers: ThreadPoolExecutor = field(init=False)
    _came: asyncio.Event = field(default_factory=asyncio.Event)
    _posted: asyncio.Event = field(default_factory=asyncio.Event)
    _stopping: asyncio.Event = field(default_factory=asyncio.Event)
    _in_hand: dict[int, asyncio.Task[None]] = field(default_factory=dict)
    _loops: list[asyncio.Task[None]] = field(default_factory=list)
    _answered: dict[int, list[asyncio.Event]] = field(default_factory=dict)
    _suspects: set[int] = field(default_factory=set)  # conversations at which a thinking process died
    _is_away: bool = False  # the gateway took nothing the last time
    _handed: set[int] = field(default_factory=set)  # letters that go out, or went out and are not written down yet

    def __post_init__(self) -> None:
        n = 1 if self.store.is_sqlite else STORE_THREADS
        self._writers = ThreadPoolExecutor(n, thread_name_prefix="writer")
        self._readers = ThreadPoolExecutor(READERS, thread_name_prefix="reader")

    async def begin(self) -> None:
        """Starts the loops."""
        await self._refresh_desk()
        await self.thinkers.warm()
        loops = (self._think, self._send, self._keep_house)
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
        self._stopping.set()
        self._came.set()
        self._posted.set()
        _, late = await asyncio.wait(self._loops, timeout=grace_s) if self._loops else (set(), set())
        for task in (*late, *self._in_hand.values()):
            task.cancel()
        await asyncio.gather(*self._loops, *self._in_hand.values(), return_exceptions=True)
        await asyncio.to_thread(self.thinkers.close)
        self._writers.shutdown(wait=True)
        self._readers.shutdown(wait=True)

    @property
    def is_well(self) -> bool:
        """The loops are all alive."""
        return bool(self._loops) and not any(loop.done() for loop in self._loops)

    async def db(self, call: Callable[P, T], /, *args: P.args, **named: P.kwargs) -> T:
        """One call of the store that writes, in its thread."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._writers, lambda: call(*args, **named))

    async def look(self, call: Callable[P, T], /, *args: P.args, **named: P.kwargs) -> T:
        """One call of the store that only reads: it does not wait for those that write."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._readers, lambda: call(*args, **named))

    async def take(self, inbound: Inbound) -> Received:
        """Keeps one message, then lets it be thought about. Raises StoreUnavailableError: then it was not kept."""
        received = await self.db(receive, self.store, inbound, self.clock())
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
                while await self.look(is_waiting, self.store, message):
                    await _either(event, POLL_S)  # another process may be the one that answers it
        except TimeoutError:
            return False
        finally:
            waiting.remove(event)
            if not waiting:
                self._answered.pop(message, None)
        return True

    def is_handed_over(self, letter: int) -> bool:
        """A letter that goes out just now, or went out and is not written down yet."""
        return letter in self._handed

    async def handed_over(self, letter: int) -> None:
        """Writes down that a letter went out; where the store is away, as soon as it is back."""
        self._handed.add(letter)
        self.metrics.sent.labels("sent").inc()
        while not self._stopping.is_set():
            try:
                await self.db(mark_sent, self.store, letter, self.clock())
                self._handed.discard(letter)
                return
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="sent", what=error.args[1])
                await _either(self._stopping, FIRST_PAUSE_S)

    def posted(self) -> None:
        """Something new is in the outbox."""
        self._posted.set()

    async def _keep_going(self, loop: Callable[[], Awaitable[None]]) -> None:
        """A loop that outlives what nobody foresaw."""
        while not self._stopping.is_set():
            try:
                await loop()
            except Exception as error:
                log.error("loop_broke_off", error=error)
                await _either(self._stopping, FIRST_PAUSE_S)

    async def _think(self) -> None:
        pause = FIRST_PAUSE_S
        while not self._stopping.is_set():
            self._came.clear()
            try:
                room = self._room()
                found = await self.look(next_work, self.store, set(self._in_hand), room) if room else []
                pause = FIRST_PAUSE_S
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="next_work", what=error.args[1])
                await _either(self._stopping, pause)
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
                await _either(self._came, POLL_S)

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
            if await self.db(finish, self.store, work, thoughts, now, held_s):
                self.metrics.turns.inc(len(thoughts))
                for message in work.messages[: len(thoughts)]:
                    self.metrics.waited.observe(max(0.0, now - message.received_at))
                    for event in self._answered.get(message.id, ()):
                        event.set()
                self._posted.set()
        except StoreUnavailableError as error:
            log.error("store_unavailable", at="finish", what=error.args[1])
            await _either(self._stopping, FIRST_PAUSE_S)
        except ThinkingError as error:
            log.error("thinking_process_died", in_hand=len(self._in_hand), error=error)
            self._suspects.add(work.conversation)
            if len(self._in_hand) == 1:
                await self._count(work)
            await _either(self._stopping, FIRST_PAUSE_S)
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
            await self.db(count_try, self.store, work.messages[0].id)
        except StoreUnavailableError:
            await _either(self._stopping, FIRST_PAUSE_S)

    async def _send(self) -> None:
        """One letter at a time, marked before the next: a process that is killed repeats one at the most."""
        pause = 0.0
        while not self._stopping.is_set():
            self._posted.clear()
            try:
                letter = await self._next_letter()
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="due", what=error.args[1])
                letter = None
            outcome = await self._deliver(letter) if letter else None
            self._is_away = outcome == "later" or (self._is_away and outcome is None)
            if outcome == "later":  # the gateway is away: letters wait, one of them tries
                pause = min(2 * pause or FIRST_PAUSE_S, LONGEST_PAUSE_S)
                await _either(self._stopping, pause)
            elif outcome is None:
                await _either(self._posted, POLL_S)
            else:
                pause = 0.0

    async def _next_letter(self) -> Due | None:
        now = self.clock()
        if self.store.is_sqlite:
            found = await self.look(claim, self.store, now, now, tuple(self.senders))
        else:
            found = await self.db(claim, self.store, now, now + self.claim_s, tuple(self.senders))
        return None if found is None or found.id in self._handed else found

    async def _deliver(self, letter: Due) -> Outcome:
        self._handed.add(letter.id)  # till it is written down no response carries it as well
        try:
            return await self._hand_over(letter)
        finally:
            self._handed.discard(letter.id)

    async def _hand_over(self, letter: Due) -> Outcome:
        outcome: Outcome
        try:
            address = self.store.seal.open(letter.channel, letter.sealed)
            outcome = await self.senders[letter.channel].send(address, letter.text)
        except Exception as error:  # a fault of ours, or a channel that is not set up any more: the others go on
            log.error("sending_failed", id=letter.id, error=error)
            address, outcome = "", "refused"
        self.metrics.sent.labels(outcome).inc()
        while True:
            try:
                if outcome == "sent":
                    await self.db(mark_sent, self.store, letter.id, self.clock())
                elif outcome == "later":
                    await self.db(try_later, self.store, letter, self.clock())
                elif outcome == "stopped":
                    await self.db(note_opt_out, self.store, letter, address, self.clock())
                else:
                    await self.db(give_up, self.store, letter.id)
                break
            except StoreUnavailableError as error:  # it went out: nothing else may go before that is written down
                log.error("store_unavailable", at="sent", what=error.args[1])
                await asyncio.sleep(FIRST_PAUSE_S)
                if self._stopping.is_set():
                    break
        log.info("letter", id=letter.id, outcome=outcome, attempts=letter.attempts)
        if outcome == "sent" and letter.forgets:
            await self._scrub()
        return outcome

    async def _keep_house(self) -> None:
        while not self._stopping.is_set():
            try:
                await self._refresh_desk()
                gone = await self.db(archive, self.store, self.retention, self.clock())
                if gone:
                    log.info("archived", conversations=gone)
                await self._scrub()
                self.metrics.waiting.set((await self.look(counts, self.store)).get("waiting", 0))
                self.metrics.open.set(await self.look(queue.n_open, self.store))
            except StoreUnavailableError as error:
                log.error("store_unavailable", at="house", what=error.args[1])
            await _either(self._stopping, HOUSE_S)

    async def _scrub(self) -> None:
        try:
            await self.db(scrub, self.store, self.clock())
        except StoreUnavailableError:
            log.warning("scrub_waits")

    async def _refresh_desk(self) -> None:
        """How long an answer takes is told by the last ones, never shorter than what the group promises."""
        desk = self.frame.desk
        if desk is None:
            return
        late = await self.look(queue.days_of_late, self.store)
        days = max(self.promised_days, ceil(late) if late else 0)
        if days != desk.days:
            self.frame = replace(self.frame, desk=Desk(desk.name, days))

    async def _drain(self) -> None:
        """Until nothing waits to be thought about, and nothing is due or the gateway is away."""
        while True:
            if self._in_hand:
                await asyncio.wait(list(self._in_hand.values()))
            elif await self.look(next_work, self.store, (), 1):
                self._came.set()
                await asyncio.sleep(0.01)
            elif not self._is_away and await self._is_due():
                self._posted.set()
                await asyncio.sleep(0.01)
            else:
                return

    async def _is_due(self) -> bool:
        letters = await self.look(due, self.store, self.clock(), 1, tuple(self.senders))
        return bool(letters)


async def _either(event: asyncio.Event, wait_s: float) -> None:
    """Until the event, or that long."""
    try:
        async with asyncio.timeout(wait_s):
            await event.wait()
    except TimeoutError:
        pass
