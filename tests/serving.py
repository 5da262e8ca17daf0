"""`chatkey serve` as a process of its own, for tests: started, killed, started again."""

from __future__ import annotations

import base64
import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from databases import KEY
from gateway import free_port

OURS = "12345"
COMMAND = (sys.executable, "-m", "chatkey.cli", "serve")


@dataclass(slots=True)
class Server:
    """One serving process on a fixed port; what it logs goes to a file."""

    folder: Path
    store: str
    gateway_url: str
    settings: dict[str, str] = field(default_factory=dict)
    command: Sequence[str] = COMMAND
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def log(self) -> str:
        return (self.folder / "serve.log").read_text()

    def environment(self) -> dict[str, str]:
        own = {key: value for key, value in os.environ.items() if not key.startswith("CHATKEY_") or "CACHE" in key}
        return own | {
            "CHATKEY_STORE": self.store,
            "CHATKEY_KEY": base64.b64encode(KEY).decode(),
            "CHATKEY_PORT": str(self.port),
            "CHATKEY_PLACE": "MI",
            "CHATKEY_GROUP": "Larkwater Stewards",
            "CHATKEY_SMS__NUMBER": OURS,
            "CHATKEY_SMS__USER": "chatkey",
            "CHATKEY_SMS__PASSWORD": "for tests",
            "CHATKEY_SMS__PUSH_URL": self.gateway_url,
            "CHATKEY_LIMITS__SENDER_A_MINUTE": "100000",
            "CHATKEY_LIMITS__SENDER_A_DAY": "100000",
            "CHATKEY_LIMITS__ALL_A_MINUTE": "1000000",
            **self.settings,
        }

    def start(self) -> None:
        """Starts it and waits until it says that it is ready."""
        with (self.folder / "serve.log").open("ab") as log:
            self.process = subprocess.Popen(
                self.command, cwd=self.folder, env=self.environment(), stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
        until = time.monotonic() + 60
        while time.monotonic() < until:
            with contextlib.suppress(httpx.HTTPError):
                if httpx.get(f"{self.url}/ready", trust_env=False, timeout=2).status_code == 200:
                    return
            if self.process.poll() is not None:
                break
            time.sleep(0.05)
        raise RuntimeError(f"it did not start:\n{self.log[-3000:]}")

    def kill(self) -> None:
        """At once, with nothing finished."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self) -> int:
        """As an administrator would; returns its exit code."""
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(60)

    def deliver(self, client: httpx.Client, number: str, text: str, id: str) -> int:
        """One message as Kannel hands it over; the status of the answer."""
        fields = {"from": number, "to": OURS, "id": id, "charset": "UTF-8", "text": text}
        return client.get(f"{self.url}/sms/in", params=fields).status_code


@contextlib.contextmanager
def served(
    folder: Path,
    store: str,
    gateway_url: str,
    command: Sequence[str] = COMMAND,
    *,
    port: int | None = None,
    **settings: str,
) -> Iterator[Server]:
    """A serving process until the block ends."""
    server = Server(folder, store, gateway_url, settings, command, port or free_port())
    server.start()
    try:
        yield server
    finally:
        if server.process is not None and server.process.poll() is None:
            server.stop()
