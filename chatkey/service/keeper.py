"""The store's threads: the process that serves waits for none of them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

from chatkey.store import Store

P = ParamSpec("P")
T = TypeVar("T")

READERS = 2
WRITERS = 4  # on PostgreSQL; SQLite has one writer, and one thread spares it the waiting


class Keeper:
    """One store and the threads in which it is called."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._writers = ThreadPoolExecutor(1 if store.is_sqlite else WRITERS, thread_name_prefix="writer")
        self._readers = ThreadPoolExecutor(READERS, thread_name_prefix="reader")

    async def db(self, call: Callable[P, T], /, *args: P.args, **named: P.kwargs) -> T:
        """One call of the store that writes, in its thread."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._writers, lambda: call(*args, **named))

    async def look(self, call: Callable[P, T], /, *args: P.args, **named: P.kwargs) -> T:
        """One call of the store that only reads: it does not wait for those that write."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._readers, lambda: call(*args, **named))

    def close(self) -> None:
        """Ends the threads; what they do is finished."""
        self._writers.shutdown(wait=True)
        self._readers.shutdown(wait=True)


async def either(event: asyncio.Event, wait_s: float) -> None:
    """Until the event, or that long."""
    try:
        async with asyncio.timeout(wait_s):
            await event.wait()
    except TimeoutError:
        pass
