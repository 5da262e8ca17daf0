"""A load on a serving process that is killed again and again, and what must hold afterwards."""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import httpx
from databases import KEY
from gateway import Gateway
from serving import Server
from sqlalchemy import func, select

from chatkey.app import open_mind
from chatkey.service.load import load_settings
from chatkey.service.serve import frame_of
from chatkey.service.thinking import think
from chatkey.store import Seal, open_store
from chatkey.store.messages import Waiting, Work
from chatkey.store.schema import conversations, handovers, inbox, outbox

NOW = time.time()  # the server runs by the same clock, and the month of a tree is kept
PAUSE_S = 0.1  # of each of eight lanes after a message: most replies are sent before the next takes their place
SENTENCES = (
    "soft flat needles, 2 white lines under",
    "needles in bundles of five, soft, 3 in",
    "sharp needles, rolls in my fingers",
    "red berries with a hole, flat needles, clipped hedge",
    "scales not needles, flat sprays, smells like pineapple",
    "1",
    "2",
    "3",
    "why",
    "how sure",
    "what else could it be",
    "near marquette mi",
    "cones hang down, smaller than a dime",
    "twig is hairy i think",
    "not sharp, kinda blunt",
    "undo",
    "next tree",
    "can i plant it here",
    "can a real person look at it",
    "can my goat eat it",
    "no cones anywhere",
    "i dont know",
    "thanks",
    "is it hemlock",
    "list",
    "MORE",
    "help",
    "bark is gray and smooth",
)


@dataclass(slots=True)
class Report:
    """What was counted afterwards."""

    messages: int
    kills: int
    seconds: float
    not_kept: int = 0
    not_done: int = 0
    unanswered: int = 0
    different: int = 0
    doubled: int = 0  # replies sent more often than once
    superseded: int = 0
    unsent: int = 0
    handed: int = 0
    notes: list[str] = field(default_factory=list)


def talks(n_conversations: int, n_messages: int, seed: int) -> dict[str, list[str]]:
    """What each number writes, in order; the same for the same seed."""
    chance = random.Random(seed)
    return {
        f"+1{200 + n // 100}5550{100 + n % 100}": chance.choices(SENTENCES, k=n_messages)
        for n in range(n_conversations)
    }


def crash(server: Server, gateway: Gateway, said: dict[str, list[str]], kills: int, seed: int) -> Report:
    """Sends all of it, each number's messages in order, and kills the process at random points meanwhile."""
    chance = random.Random(seed)
    total = sum(map(len, said.values()))
    sent = Counter()
    start = time.monotonic()
    numbers = list(said)
    lanes = [threading.Thread(target=_send, args=(server, said, numbers[n::8], sent)) for n in range(8)]
    for lane in lanes:
        lane.start()
    marks = sorted(chance.sample(range(total // 20, total), kills))
    for mark in marks:
        while sent.n < mark and any(lane.is_alive() for lane in lanes):
            time.sleep(0.005)
        time.sleep(chance.random() * 0.2)
        server.kill()
        server.start()
    for lane in lanes:
        lane.join()
    _wait_until_idle(server)
    report = Report(total, kills, time.monotonic() - start)
    server.stop()
    return _count(server, gateway, said, report)


class Counter:
    """How many were taken, by all lanes together."""

    def __init__(self) -> None:
        self.n = 0
        self._lock = threading.Lock()

    def add(self) -> None:
        with self._lock:
            self.n += 1


def _send(server: Server, said: dict[str, list[str]], numbers: Sequence[str], sent: Counter) -> None:
    """Some numbers, message by message; what was not taken is delivered again with the same id, as a gateway does."""
    with httpx.Client(trust_env=False, timeout=20) as client:
        for k in range(len(said[numbers[0]])):
            for number in numbers:
                while not _delivered(server, client, number, said[number][k], f"{number}-{k}"):
                    time.sleep(0.05)
                sent.add()
                time.sleep(PAUSE_S)


def _delivered(server: Server, client: httpx.Client, number: str, text: str, id: str) -> bool:
    try:
        return server.deliver(client, number, text, id) == 200
    except httpx.HTTPError:
        return False


def _wait_until_idle(server: Server) -> None:
    store = open_store(server.store, Seal(KEY))
    until = time.monotonic() + 300
    while time.monotonic() < until:
        with store.read() as connection:
            waits = [
                connection.scalar(select(func.count()).select_from(table).where(table.c.status == "waiting"))
                for table in (inbox, outbox)
            ]
        if not any(waits):
            store.close()
            return
        time.sleep(0.1)
    raise TimeoutError(f"still waiting: {waits}")


def _count(server: Server, gateway: Gateway, said: dict[str, list[str]], report: Report) -> Report:
    store = open_store(server.store, Seal(KEY))
    expected = expected_states(said)
    with store.read() as connection:
        marks = {
            mark: row
            for mark, *row in connection.execute(
                select(conversations.c.mark, conversations.c.id, conversations.c.state)
            )
        }
        kept = dict(
            connection.execute(select(inbox.c.conversation_id, func.count()).group_by(inbox.c.conversation_id)).all()
        )
        report.not_done = connection.scalar(select(func.count()).where(inbox.c.status != "done"))
        letters = connection.execute(
            select(outbox.c.inbox_id, outbox.c.conversation_id, outbox.c.status, outbox.c.id)
        ).all()
        report.handed = connection.scalar(select(func.count()).select_from(handovers))
        ids = connection.scalars(select(inbox.c.id)).all()
    for number, texts in said.items():
        id, state = marks.get(store.seal.mark("address", "sms", number), (None, None))
        report.not_kept += len(texts) - kept.get(id, 0)
        if state is None or _told(json.loads(state)) != _told(expected[number]):
            report.different += 1
            report.notes.append(f"{number} differs")
    last_sent: dict[int, int] = {}
    for letter in letters:
        if letter.status == "sent":
            last_sent[letter.conversation_id] = max(letter.id, last_sent.get(letter.conversation_id, 0))
    answered = {letter.inbox_id for letter in letters if letter.id <= last_sent.get(letter.conversation_id, 0)}
    report.unanswered = len(set(ids) - answered)
    n_sent = sum(letter.status == "sent" for letter in letters)
    report.superseded = sum(letter.status == "superseded" for letter in letters)
    report.unsent = len(letters) - n_sent - report.superseded
    report.doubled = len(gateway.given) - n_sent
    store.close()
    return report


def expected_states(said: dict[str, list[str]]) -> dict[str, dict[str, object]]:
    """The state of each conversation when nothing disturbs it: thought about in this process, message by message."""
    settings = load_settings(None, place="MI", group="Larkwater Stewards")
    mind = open_mind()
    frame = frame_of(settings, mind)
    found = {}
    for number, texts in said.items():
        state, rest = None, ""
        for n, text in enumerate(texts):
            work = Work(1, "sms", state, n, NOW, False, rest, None, (), (Waiting(n, "finder", text, NOW, 0),))
            (thought,) = think(mind, frame, work)
            state = thought.state if thought.state is not None else state
            rest = thought.letter.rest if thought.letter else rest
        found[number] = json.loads(state or "{}")
    return found


def _told(state: dict[str, object]) -> dict[str, object]:
    """All that must be equal: everything but the number of the row."""
    return {key: value for key, value in state.items() if key != "id"}
