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
from chatkey.dialog import Mind
from chatkey.knowledge.yaml_nodes import Entry, read_file
from chatkey.service.logs import begin_log
from chatkey.service.pool import Opener
from chatkey.service.serve import PATH, build, frame_of, store_of
from chatkey.service.settings import Settings, SmsSettings
from chatkey.service.stewards import give_answer, page, queue_view
from chatkey.store.seal import new_key
from chatkey.terms import ChatkeyError

OURS = "12345"
LOOPBACK = "127.0.0.1"
PATIENCE_S = 20.0
WIDTH = 64
LETTERS_A_SECOND = 28  # of a reader who sees it for the first time
KEYS = ("note", "from", "say", "twice", "queue", "answer", "verdict", "who")


class DemoError(ChatkeyError):
    """The demo can't go on."""


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
        """The next text that this phone gets. Raises DemoError."""
        try:
            async with asyncio.timeout(PATIENCE_S):
                return await self._box(number).get()
        except TimeoutError:
            mend = "run it again while the machine has less to do"
            raise DemoError("demo", f"no reply came within {PATIENCE_S:.0f} s", mend) from None

    def _box(self, number: str) -> asyncio.Queue[str]:
        return self.arrived.setdefault(number, asyncio.Queue())


@dataclass(frozen=True, slots=True)
class Stage:
    """What the steps are played on: the group's process, the network around it, and where it is shown."""

    settings: Settings
    mind: Mind
    phones: Mapping[str, str]
    exchange: Exchange
    network: httpx.AsyncClient
    ours: str  # the address of the process that serves
    console: Console


def play(open_mind: Opener, pace: float = 1.0, console: Console | None = None) -> None:
    """Plays the scenario into the console. At pace 1 a reader keeps up; at 0 it does not wait. Raises DemoError."""
    begin_log(level=logging.CRITICAL)
    phones, steps = read_steps(PACKAGE / "_examples" / "demo.yaml")
    with tempfile.TemporaryDirectory(prefix="chatkey-demo-") as folder:
        asyncio.run(_play(open_mind, phones, steps, Path(folder), pace, console or Console(highlight=False)))


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
    pace: float,
    console: Console,
) -> None:
    exchange = Exchange()
    async with _served(exchange.app()) as gateway:
        settings = _settings(folder, f"{gateway}/send")
        console.print(Text("The Larkwater Stewards: three phones, one steward, no network but this machine's.", "bold"))
        async with _served(build(settings, open_mind)) as ours, httpx.AsyncClient(trust_env=False) as network:
            stage = Stage(settings, open_mind(), phones, exchange, network, ours, console)
            for number, step in enumerate(steps, 1):
                letters = await _show(stage, number, step)
                await asyncio.sleep(pace * letters / LETTERS_A_SECOND)
    console.print(Text(f"\n{_counts(steps, exchange.taken)}", "bold"))


def _settings(folder: Path, push_url: str) -> Settings:
    """The settings of the Larkwater Stewards, with everything on this machine."""
    own = SmsSettings(gateway="kannel", number=OURS, user="demo", password=SecretStr("demo"), push_url=push_url)
    return Settings(
        group="the Larkwater Stewards",
        store=str(folder / "demo.db"),
        key=SecretStr(new_key()),
        place="MI",
        thinkers=0,
        sms=own,
    )


async def _show(stage: Stage, number: int, step: Step) -> int:
    """One step, played and printed; how many letters there were to read."""
    if step.note:
        stage.console.print(Text(f"\n{step.note}", "italic"))
        return len(step.note)
    if step.shows_queue:
        return _show_queue(stage)
    if step.answer:
        await _answer(stage, step)
    else:
        _bubble(stage.console, step.phone, step.text, own=True)
        for _ in range(1 + step.twice):
            await _deliver(stage, stage.phones[step.phone], step.text, number)
    reply = await stage.exchange.next(stage.phones[step.phone])
    _bubble(stage.console, step.phone, reply)
    return len(step.text) + len(step.answer) + len(reply)


def _show_queue(stage: Stage) -> int:
    with contextlib.closing(store_of(stage.settings)) as store:
        pages = "\n\n".join(page(view) for view in queue_view(store, stage.mind))
    stage.console.print(Panel(Text(pages), title="chatkey queue", title_align="left"))
    return len(pages)


async def _answer(stage: Stage, step: Step) -> None:
    """The steward answers the last tree that waits, beside the process that serves: they share the store."""
    mind = stage.mind
    with contextlib.closing(store_of(stage.settings)) as store:
        id = queue_view(store, mind)[-1]["id"]
        line = f'$ chatkey answer {id} "{step.answer}" --verdict "{step.verdict}"'
        stage.console.print(Text(line, "green"))
        writing = frame_of(stage.settings, mind).channels
        said = {"text": step.answer, "verdict": step.verdict, "by": ""}
        await asyncio.to_thread(give_answer, store, mind, writing, id, **said, now=time.time())


def _counts(steps: Sequence[Step], taken: int) -> str:
    said = sum(bool(step.text) for step in steps)
    doubled = sum(step.twice for step in steps)
    answers = sum(bool(step.answer) for step in steps)
    return (
        f"{said} messages came in, {doubled} of them twice; {taken} texts went out, {answers} of them from a steward. "
        "Nothing left this machine."
    )


async def _deliver(stage: Stage, number: str, text: str, id: int) -> None:
    """One message as Kannel hands it over. The same id again is the same message again."""
    fields = {"from": number, "to": OURS, "id": f"demo-{id}", "charset": "UTF-8", "text": text}
    (await stage.network.get(f"{stage.ours}{PATH}", params=fields)).raise_for_status()


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
