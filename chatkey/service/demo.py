"""The Larkwater scenario, all of it on this machine: phones over the real SMS channel, then a crew in Telegram. A
gateway of our own stands in for the network: all between its two HTTP calls is what a group would run."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import logging
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import httpx
from pydantic import SecretStr
from rich.console import Console
from rich.panel import Panel
from rich.text import Text
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from chatkey.data import PACKAGE
from chatkey.dialog import Mind
from chatkey.knowledge.yaml_nodes import Entry, read_file
from chatkey.service.demo_stage import arrival, bubble, headline, note, served, wait_for_reader
from chatkey.service.logs import begin_log
from chatkey.service.pool import Opener
from chatkey.service.post import Clock
from chatkey.service.serve import PATH, build, frame_of, store_of
from chatkey.service.settings import Settings, SmsSettings
from chatkey.service.stewards import give_answer, page, queue_view
from chatkey.store.seal import new_key

Part = Literal["sms", "walk", "all"]

EXAMPLES = PACKAGE / "_examples"
OURS = "12345"
STORY = datetime(2026, 10, 10, 15, tzinfo=UTC).timestamp()
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
        """The next text that this phone gets. Raises DemoError."""
        return await arrival(self._box(number))

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
    clock: Clock


def story_clock() -> Clock:
    """The time in the story, which plays in autumn whenever it is shown: what can be judged changes with the month."""
    began = time.time()
    return lambda: STORY + time.time() - began


def play(open_mind: Opener, pace: float = 1.0, console: Console | None = None, part: Part = "all") -> None:
    """Plays the scenario into the console. At pace 1 a reader keeps up; at 0 it does not wait. Raises DemoError."""
    begin_log(level=logging.CRITICAL)
    shown, mind = console or Console(highlight=False), open_mind()
    with tempfile.TemporaryDirectory(prefix="chatkey-demo-") as folder:
        asyncio.run(_play(mind, Path(folder), pace, shown, part))


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


async def _play(mind: Mind, folder: Path, pace: float, console: Console, part: Part) -> None:
    clock = story_clock()
    if part != "walk":
        await _play_phones(mind, folder, pace, console, clock)
    if part == "all" and importlib.util.find_spec("telegram") is None:
        note(console, "A crew's walk in Telegram comes next once its client is here: pip install 'chatkey[telegram]'")
    elif part != "sms":
        from chatkey.service.demo_chat import play_walk  # it wants the extra `telegram`

        if part == "all":
            console.print()
        await play_walk(lambda: mind, EXAMPLES / "walk.yaml", folder, pace, console, clock)


async def _play_phones(mind: Mind, folder: Path, pace: float, console: Console, clock: Clock) -> None:
    phones, steps = read_steps(EXAMPLES / "demo.yaml")
    exchange = Exchange()
    async with served(exchange.app()) as gateway:
        settings = _settings(folder, f"{gateway}/send")
        headline(console, "The Larkwater Stewards: three phones, one steward, no network but this machine's.")
        async with served(build(settings, lambda: mind, clock)) as ours, httpx.AsyncClient(trust_env=False) as network:
            stage = Stage(settings, mind, phones, exchange, network, ours, console, clock)
            for number, step in enumerate(steps, 1):
                await wait_for_reader(await _show(stage, number, step), pace)
    headline(console, f"\n{_counts(steps, exchange.taken)}")


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
        return note(stage.console, step.note)
    if step.shows_queue:
        return _show_queue(stage)
    if step.answer:
        await _answer(stage, step)
    else:
        bubble(stage.console, step.phone, Text(step.text, "cyan"), own=True)
        for _ in range(1 + step.twice):
            await _deliver(stage, stage.phones[step.phone], step.text, number)
    reply = await stage.exchange.next(stage.phones[step.phone])
    bubble(stage.console, step.phone, Text(reply))
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
        await asyncio.to_thread(give_answer, store, mind, writing, id, **said, now=stage.clock())


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
