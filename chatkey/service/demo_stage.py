"""What all parts of the demo stand on: servers on the loopback, bubbles on a console, a reader's pace."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Iterator
from typing import TypeVar

import uvicorn
from rich.console import Console
from rich.padding import Padding
from rich.panel import Panel
from rich.text import Text
from starlette.applications import Starlette

from chatkey.terms import ChatkeyError

LOOPBACK = "127.0.0.1"
PATIENCE_S = 20.0
T = TypeVar("T")
WIDTH = 64
LETTERS_A_SECOND = 28  # of a reader who sees it for the first time


class DemoError(ChatkeyError):
    """The demo can't go on."""


async def arrival(box: asyncio.Queue[T]) -> T:
    """The next that arrives there. Raises DemoError."""
    try:
        async with asyncio.timeout(PATIENCE_S):
            return await box.get()
    except TimeoutError:
        mend = "run it again while the machine has less to do"
        raise DemoError("demo", f"no reply came within {PATIENCE_S:.0f} s", mend) from None


async def wait_for_reader(letters: int, pace: float) -> None:
    """As long as it takes to read so many letters."""
    await asyncio.sleep(pace * letters / LETTERS_A_SECOND)


def headline(console: Console, text: str) -> None:
    """What begins or ends a part."""
    console.print(Text(text, "bold"))


def note(console: Console, text: str) -> int:
    """What the onlooker should know; how many letters there are to read."""
    console.print(Text(f"\n{text}", "italic"))
    return len(text)


def bubble(console: Console, title: str, content: Text, *, own: bool = False) -> None:
    """One message: a person's own on the left, what they get on the right."""
    panel = Panel(content, title=f"{title} >" if own else f"to {title}", title_align="left", width=WIDTH)
    console.print(Padding(panel, (0, 0, 0, 0 if own else 8)))


@contextlib.asynccontextmanager
async def served(app: Starlette) -> AsyncIterator[str]:
    """The application on a free port of the loopback; its address."""
    listening = _listener()
    server = _Server(uvicorn.Config(app, log_config=None, access_log=False, timeout_graceful_shutdown=5))
    task = asyncio.create_task(server.serve(sockets=[listening]))
    while not server.started and not task.done():
        await asyncio.sleep(0.01)
    try:
        yield f"http://{LOOPBACK}:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        await task


class _Server(uvicorn.Server):
    """A server beside others in one process: it leaves the signals alone."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _listener() -> socket.socket:
    """A socket on a free port. Its protocol is named: only then asyncio sends small answers at once."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.bind((LOOPBACK, 0))
    listening.listen()
    return listening
