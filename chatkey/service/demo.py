"""The Larkwater scenario over the real SMS channel, all of it on this machine: a gateway of our own stands in for the
network, everything between its two HTTP calls is what a group would run."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import tempfile
import time
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import uvicorn
from pydantic import SecretStr
from rich.console import Console
from rich.padding import Padding
from rich.panel import Panel
from rich.text import Text
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from chatkey.data import PACKAGE
from chatkey.knowledge.yaml_nodes import Entry, read_file
from chatkey.service.logs import begin_log
from chatkey.service.pool import Opener
from chatkey.service.serve import PATH, build, frame_of, store_of
from chatkey.service.settings import Settings, SmsSettings
from chatkey.service.stewards import give_answer, page, queue_view
from chatkey.store.seal import new_key

OURS = "12345"
LOOPBACK = "127.0.0.1"
PATIENCE_S = 20.0
WIDTH = 64
KEYS = ("note", "from", "say", "twice", "queue", "answer", "verdict", "who")


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens."""

    note: str = ""
    phone: str = ""
    text: str = ""
    twice: bool = False
    shows_queue: bool = False
    answer: str = ""
    verdict: str = ""


@dataclass(slots=True)
class Exchange:
    """The network's side: takes replies as a gateway does, and keeps them by phone."""

    arrived: dict[str, asyncio.Queue[str]] = field(default_factory=dict)
    taken: int = 0

    def app(self) -> Starlette:
        """Where replies are handed over."""
        return Starlette(routes=[Route("/send", self._take)])

    async def _take(self, request: Request) -> PlainTextResponse:
        self.taken += 1
        self._box(request.query_params["to"]).put_nowait(request.query_params["text"])
        return PlainTextResponse("0: Accepted for delivery", 202)

    async def next(self, number: str) -> str:
        """The next text that this phone gets. Raises TimeoutError."""
        async with asyncio.timeout(PATIENCE_S):
            return await self._box(number).get()

    def _box(self, number: str) -> asyncio.Queue[str]:
        return self.arrived.setdefault(number, asyncio.Queue())


def play(open_mind: Opener, pause_s: float = 1.0, console: Console | None = None) -> None:
    """Plays the scenario into the console; `pause_s` is what a reader needs for a short line."""
    begin_log(level=logging.CRITICAL)
    phones, steps = read_steps(PACKAGE / "_examples" / "demo.yaml")
    with tempfile.TemporaryDirectory(prefix="chatkey-demo-") as folder:
        asyncio.run(_play(open_mind, phones, steps, Path(folder), pause_s, console or Console(highlight=False)))


def read_steps(path: Path) -> tuple[Mapping[str, str], Sequence[Step]]:
    """The phones and steps of a scenario. Raises KnowledgeError with file:line."""
    top = read_file(path, path.parent).pairs(("phones", "steps"), required=("phones", "steps"))
    phones = {name: entry.text() for name, entry in top["phones"].pairs().items()}
    return phones, [_step(entry, phones) for entry in top["steps"].items()]


def _step(entry: Entry, phones: Mapping[str, str]) -> Step:
    pairs = entry.pairs(KEYS)
    phone = pairs.get("from") or pairs.get("who")
    return Step(
        note=pairs["note"].text() if "note" in pairs else "",
        phone=phone.one_of(phones) if phone else "",
        text=pairs["say"].text() if "say" in pairs else "",
        twice="twice" in pairs,
        shows_queue="queue" in pairs,
        answer=pairs["answer"].text() if "answer" in pairs else "",
        verdict=pairs["verdict"].text() if "verdict" in pairs else "none",
    )


async def _play(
    open_mind: Opener,
    phones: Mapping[str, str],
    steps: Sequence[Step],
    folder: Path,
    pause_s: float,
    console: Console,
) -> None:
    exchange = Exchange()
    mind = open_mind()
    async with _served(exchange.app()) as gateway:
        settings = Settings(
            group="Larkwater Stewards",
            store=str(folder / "demo.db"),
            key=SecretStr(new_key()),
            place="MI",
            thinkers=0,
            sms=SmsSettings(
                gateway="kannel", number=OURS, user="demo", password=SecretStr("demo"), push_url=f"{gateway}/send"
            ),
        )
        console.print(Text(f"{settings.group}: three phones, one steward, no network but this machine's.", "bold"))
        async with _served(build(settings, open_mind)) as ours, httpx.AsyncClient(trust_env=False) as network:
            for number, step in enumerate(steps, 1):
                if step.note:
                    console.print(Text(f"\n{step.note}", "italic"))
                elif step.shows_queue:
                    store = store_of(settings)
                    pages = "\n\n".join(page(view) for view in queue_view(store, mind))
                    store.close()
                    console.print(Panel(Text(pages), title="chatkey queue", title_align="left"))
                elif step.answer:
                    await _answer(settings, open_mind, step, console)
                    _bubble(console, step.phone, await exchange.next(phones[step.phone]))
                else:
                    _bubble(console, step.phone, step.text, own=True)
                    for _ in range(1 + step.twice):
                        await _deliver(network, ours, phones[step.phone], step.text, number)
                    _bubble(console, step.phone, await exchange.next(phones[step.phone]))
                await asyncio.sleep(pause_s)
            said = sum(1 + step.twice for step in steps if step.text)
            console.print(
                Text(f"\n{said} deliveries in, {exchange.taken} texts out. Nothing left this machine.", "bold")
            )


async def _answer(settings: Settings, open_mind: Opener, step: Step, console: Console) -> None:
    """The steward answers the last tree that waits, beside the process that serves: they share the store."""
    mind = open_mind()
    store = store_of(settings)
    id = queue_view(store, mind)[-1]["id"]
    console.print(Text(f'$ chatkey answer {id} "{step.answer}" --verdict "{step.verdict}"', "green"))
    writing = frame_of(settings, mind).channels
    await asyncio.to_thread(
        give_answer, store, mind, writing, id, text=step.answer, verdict=step.verdict, by="", now=time.time()
    )
    store.close()


async def _deliver(network: httpx.AsyncClient, ours: str, number: str, text: str, id: int) -> None:
    """One message as Kannel hands it over. The same id again is the same message again."""
    fields = {"from": number, "to": OURS, "id": f"demo-{id}", "charset": "UTF-8", "text": text}
    (await network.get(f"{ours}{PATH}", params=fields)).raise_for_status()


def _bubble(console: Console, name: str, text: str, *, own: bool = False) -> None:
    style = "cyan" if own else "default"
    panel = Panel(Text(text, style), title=f"{name} >" if own else f"to {name}", title_align="left", width=WIDTH)
    console.print(Padding(panel, (0, 0, 0, 0 if own else 8)))


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


@contextlib.asynccontextmanager
async def _served(app: Starlette) -> AsyncIterator[str]:
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
