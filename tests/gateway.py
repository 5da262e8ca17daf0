"""A gateway for tests: takes replies over HTTP on the loopback, as a real one does, and can be told to fail."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route


@dataclass(slots=True)
class Gateway:
    """What it was given, in order; `status` is what it answers with."""

    url: str = ""
    status: int = 202
    given: list[tuple[str, str]] = field(default_factory=list)
    refused: int = 0
    _came: threading.Condition = field(default_factory=threading.Condition)

    async def take(self, request: Request) -> PlainTextResponse:
        to, text = request.query_params["to"], request.query_params["text"]
        with self._came:
            if self.status < 300:
                self.given.append((to, text))
            else:
                self.refused += 1
            self._came.notify_all()
        return PlainTextResponse("0: Accepted for delivery", self.status)

    def texts(self, number: str) -> list[str]:
        """What one phone got."""
        return [text for to, text in list(self.given) if to == number]

    def wait(self, n: int, *, within_s: float = 30.0, number: str | None = None) -> None:
        """Until `n` texts came in all, or to one number. Raises TimeoutError."""
        until = time.monotonic() + within_s
        with self._came:
            while len(self.given if number is None else self.texts(number)) < n:
                if not self._came.wait(until - time.monotonic()):
                    raise TimeoutError(f"{len(self.given)} of {n} texts came")


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@contextlib.contextmanager
def gateway(port: int = 0) -> Iterator[Gateway]:
    """A gateway that listens on the loopback until the block ends."""
    found = Gateway()
    listening = listener(port)
    found.url = f"http://127.0.0.1:{listening.getsockname()[1]}/send"
    app = Starlette(routes=[Route("/send", found.take)])
    server = _Server(uvicorn.Config(app, log_config=None, access_log=False, timeout_graceful_shutdown=2))
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listening])), daemon=True)
    thread.start()
    try:
        yield found
    finally:
        server.should_exit = True
        thread.join(10)


def listener(port: int) -> socket.socket:
    """A socket that listens. Its protocol is named: only then asyncio sends small answers at once."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind(("127.0.0.1", port))
    listening.listen(1024)
    return listening


def free_port() -> int:
    """A port that was free just now."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])
