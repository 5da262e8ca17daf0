"""Thinking beside the process that serves: in processes of their own, or in its threads."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import threading
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait

from chatkey.dialog import Mind
from chatkey.service.thinking import Frame, set_aside, think
from chatkey.store.messages import Thought, Work

Opener = Callable[[], Mind]

_mind: Mind | None = None  # of a thinking process, which has one


class Thinkers:
    """A pool that turns work into thoughts. A process that dies is replaced; its work is tried again by the caller."""

    def __init__(self, open_mind: Opener, processes: int) -> None:
        self._open_mind, self._processes = open_mind, processes
        self._pool = self._make()
        self._mind = open_mind() if not processes else None

    @property
    def slots(self) -> int:
        """How many conversations are worth taking in hand: one more a process, so that none waits for work."""
        return 2 * self._processes or 1

    async def warm(self) -> None:
        """Starts the processes, so that the first message does not wait for them."""
        loop = asyncio.get_running_loop()
        await asyncio.gather(*(loop.run_in_executor(self._pool, _is_ready) for _ in range(self._processes)))

    async def think(self, frame: Frame, work: Work) -> list[Thought]:
        """The thoughts of one conversation's messages. Raises what the thinking raised, or ThinkingError."""
        return await self._run(think, _think, frame, work)

    async def set_aside(self, frame: Frame, work: Work) -> list[Thought]:
        """What is said where a message can't be thought about."""
        return await self._run(set_aside, _set_aside, frame, work)

    async def _run(
        self,
        here: Callable[[Mind, Frame, Work], list[Thought]],
        there: Callable[[Frame, Work], list[Thought]],
        frame: Frame,
        work: Work,
    ) -> list[Thought]:
        loop = asyncio.get_running_loop()
        pool = self._pool
        try:
            if self._mind is not None:
                return await loop.run_in_executor(pool, here, self._mind, frame, work)
            return await loop.run_in_executor(pool, there, frame, work)
        except BrokenProcessPool as error:
            if pool is self._pool:
                self._pool = self._make()
                pool.shutdown(wait=False, cancel_futures=True)
            raise ThinkingError(str(error)) from None

    def close(self) -> None:
        """Ends the pool; what it works on is finished."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _make(self) -> Executor:
        if not self._processes:
            return ThreadPoolExecutor(1, thread_name_prefix="thinker")
        spawn = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._processes, mp_context=spawn, initializer=_begin, initargs=(self._open_mind,))


class ThinkingError(Exception):
    """A thinking process died."""


def _begin(open_mind: Opener) -> None:
    """A thinking process: knows the mind, leaves interrupts to the one that serves, and ends with it."""
    import signal

    global _mind
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()
    _mind = open_mind()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(0)


def _is_ready() -> bool:
    return _mind is not None


def _think(frame: Frame, work: Work) -> list[Thought]:
    assert _mind is not None
    return think(_mind, frame, work)


def _set_aside(frame: Frame, work: Work) -> list[Thought]:
    assert _mind is not None
    return set_aside(_mind, frame, work)
