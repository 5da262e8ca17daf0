"""A load of Telegram's updates on a serving process that is killed meanwhile, and what must hold afterwards."""

from __future__ import annotations

import itertools
import json
import random
import time
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

from bot_updates import edited, in_topic, message, migration, photo, pressed, reply_to
from botapi import BOT, BotApi, Call, Update
from crashing import SENTENCES
from databases import KEY
from serving import Server
from sqlalchemy import func, select
from telegram import Update as Read

from chatkey.app import open_mind
from chatkey.channels.telegram.updates import Identity, read_update
from chatkey.dialog import Mind
from chatkey.service.load import load_settings
from chatkey.service.serve import frame_of
from chatkey.service.thinking import think
from chatkey.store import Seal, open_store
from chatkey.store.messages import Waiting, Work
from chatkey.store.schema import conversations, inbox, outbox

NOW = time.time()  # the server runs by the same clock, and the month of a tree is kept
FIRST_PERSON, FIRST_GROUP = 100_000, -3_000_000
MOST_WAITING = 300  # updates that the process has not fetched yet
SAID = tuple(text for text in SENTENCES if text not in ("MORE", "help"))
SENDS = ("sendMessage", "sendDocument", "sendPhoto")
PACED = (*SENDS, "editMessageText", "editMessageReplyMarkup")


@dataclass(slots=True)
class Plan:
    """How many chats of each kind, and updates in all."""

    updates: int
    people: int
    groups: int
    kills: int
    seed: int = 1


@dataclass(slots=True)
class Report:
    """What was counted afterwards."""

    updates: int
    kills: int
    seconds: float = 0.0
    kinds: Counter[str] = field(default_factory=Counter)
    not_kept: int = 0
    too_many: int = 0  # rows that no update explains
    not_done: int = 0
    unsent: int = 0
    different: int = 0  # private talks that stand otherwise than undisturbed
    compared: int = 0
    sent: int = 0
    doubled: int = 0
    lost_answers: int = 0  # cut connections whose message had arrived: sent again
    superseded: int = 0
    refused_429: int = 0  # by the server's own limits
    out_of_order: int = 0
    closest_s: float = 0.0  # of two messages in one chat
    most_in_group_minute: int = 0
    most_a_second: int = 0
    notes: list[str] = field(default_factory=list)


class Load:
    """Updates by lot: the same for the same seed, but for buttons, which must have arrived to be pressed."""

    def __init__(self, api: BotApi, plan: Plan, report: Report) -> None:
        self.api, self.plan, self.report = api, plan, report
        self.chance = random.Random(plan.seed)
        self.people = [FIRST_PERSON + n for n in range(plan.people)]
        self.groups = [FIRST_GROUP - n for n in range(plan.groups)]
        self.plain = set(self.people[::2])  # write texts only: their talks are compared
        self.said: dict[int, list[str]] = defaultdict(list)
        self.last: dict[int, Update] = {}
        self.pushed: list[Update] = []

    def updates(self) -> Iterator[Update]:
        """One update after another, each put before the bot as it is drawn."""
        for n in range(self.plan.updates):
            if n % 4 == 3:
                yield self._in_group()
            else:
                yield self._private(self.people[n % len(self.people)])
            self._disturb(n)

    def _private(self, reader: int) -> Update:
        lot = self.chance.random()
        if reader in self.plain or lot < 0.6 or reader not in self.last:
            text = self.chance.choice(SAID)
            self.said[reader].append(text)
            return self._push("private", "message", message(self.api, reader, reader, text=text))
        ours = [self.api.messages[reader, id] for id in tuple(self.api.by_chat.get(reader, ()))[-3:]]
        shown = [one for one in ours if one.get("reply_markup")]
        if lot < 0.75 and shown:
            on = self.chance.choice(shown)
            row = self.chance.choice(on["reply_markup"]["inline_keyboard"])
            return self._note("button", pressed(self.api, self.chance.choice(row)["callback_data"], on, reader))
        if lot < 0.85:
            return self._note("edited", edited(self.api, self.last[reader], self.chance.choice(SAID)))
        if lot < 0.92:
            where = {"latitude": 46.54, "longitude": -87.4}
            return self._push("location", "message", message(self.api, reader, reader, location=where))
        return self._note("photo", photo(self.api, chat=reader, reader=reader))

    def _in_group(self) -> Update:
        group, reader = self.chance.choice(self.groups), self.chance.choice(self.people[:200])
        lot, more = self.chance.random(), {}
        if group % 3 == 0 and lot < 0.4:
            more = in_topic(40)
        ours = tuple(self.api.by_chat.get(group, ()))
        if lot < 0.35:
            return self._push("chatter", "message", message(self.api, group, reader, text="mind that branch", **more))
        if lot < 0.65 or not ours or more:
            text = self.chance.choice(("/next", "@larkwater_key_bot soft flat needles", "/list", "/undo", "/why"))
            return self._push("group", "message", message(self.api, group, reader, text=text, **more))
        text = self.chance.choice(SAID)
        replied = reply_to(group, self.chance.choice(ours[-5:]))
        return self._push("reply", "message", message(self.api, group, reader, text=text, **replied))

    def _disturb(self, n: int) -> None:
        """What goes wrong now and then: the server is too busy, at fault, cut off; a person leaves; a group moves."""
        if n % 400 == 200:
            self.api.fail(429, "Too Many Requests: retry after 2", "sendMessage", times=5, retry_after=2)
        if n % 500 == 100:
            self.api.fail(500, "Internal Server Error", "sendMessage", times=2)
        if n % 700 == 350:
            done = self.chance.random() < 0.5
            self.report.lost_answers += done
            self.api.cut("sendMessage", done=done)
        if n % 900 == 450:
            reader = self.chance.choice([one for one in self.people if one not in self.plain])
            self.api.blocked.add(reader)
            self.report.kinds["blocked"] += 1
        if n % 2000 == 1000 and len(self.groups) > 2:
            old = self.groups.pop(self.chance.randrange(len(self.groups)))
            new = old - 1_000_000
            self.api.migrated[old] = new
            self.pushed += migration(self.api, old, new)
            self.report.kinds["migrated"] += 1
            self.groups.append(new)
        if n % 50 == 25 and self.api.updates:
            again = self.api.updates[-1]
            self.api.updates.append(dict(again))
            self.report.kinds["doubled"] += 1

    def _push(self, kind: str, type: str, content: dict[str, Any]) -> Update:
        return self._note(kind, self.api.push(type, content))

    def _note(self, kind: str, update: Update) -> Update:
        self.report.kinds[kind] += 1
        self.pushed.append(update)
        chat = update.get("message", {}).get("chat", {}).get("id", 0)
        if chat > 0 and "text" in update["message"]:
            self.last[chat] = update
        return update


def drive(server: Server, api: BotApi, plan: Plan) -> Report:
    """All updates put before the bot, the process killed at random points meanwhile; then what holds is counted."""
    report = Report(plan.updates, plan.kills)
    load = Load(api, plan, report)
    chance = random.Random(plan.seed + 1)
    marks = sorted(chance.sample(range(plan.updates // 20, plan.updates), plan.kills))
    start = time.monotonic()
    for n, _ in enumerate(load.updates()):
        while len(api.updates) > MOST_WAITING:
            time.sleep(0.01)
        if marks and n >= marks[0]:
            marks.pop(0)
            time.sleep(chance.random())
            server.kill()
            server.start()
    _rest(server, api)
    report.seconds = time.monotonic() - start
    server.stop()
    _count(server, api, load, report)
    _measure(api.calls, report)
    return report


def _rest(server: Server, api: BotApi) -> None:
    """Until all is fetched, thought about and sent."""
    until = time.monotonic() + 1800
    with closing(open_store(server.store, Seal(KEY))) as store:
        while time.monotonic() < until:
            with store.read() as connection:
                waits = [
                    connection.scalar(select(func.count()).select_from(table).where(table.c.status == "waiting"))
                    for table in (inbox, outbox)
                ]
            if not any(waits) and not api.updates:
                return
            time.sleep(0.2)
    raise TimeoutError(f"still waiting: {waits}, {len(api.updates)}")


def _count(server: Server, api: BotApi, load: Load, report: Report) -> None:
    mind = open_mind()
    expected = _to_keep(mind, load.pushed)
    with closing(open_store(server.store, Seal(KEY))) as store, store.read() as connection:
        marks = set(connection.scalars(select(inbox.c.mark)))
        wanted = {store.seal.mark("message", "telegram", id) for id in expected}
        report.not_kept, report.too_many = len(wanted - marks), len(marks - wanted)
        report.not_done = connection.scalar(select(func.count()).where(inbox.c.status != "done")) or 0
        letters = connection.execute(select(outbox).order_by(outbox.c.id)).all()
        states = dict(connection.execute(select(conversations.c.mark, conversations.c.state)).all())
        rows = connection.execute(select(conversations.c.id, conversations.c.mark)).all()
        moves = {id: _moves(store.seal, mark, api.migrated) for id, mark in rows}
        own = {reader: states.get(store.seal.mark("address", "telegram", str(reader))) for reader in load.plain}
    report.superseded = sum(one.status == "superseded" for one in letters)
    report.unsent = sum(one.status in ("waiting", "failed") for one in letters)
    n_sent = sum(one.status == "sent" for one in letters)
    report.sent = sum(call.method in SENDS and call.status == 200 for call in api.calls)
    report.doubled = report.sent - n_sent
    by_talk: dict[int, list[int]] = defaultdict(list)
    for one in letters:
        if one.status == "sent" and one.conversation_id is not None:
            by_talk[one.conversation_id].append(one.posted_as)
    report.out_of_order = sum(_turns_back(ids) > moves.get(talk, 0) for talk, ids in by_talk.items())
    for reader, state in own.items():
        if load.said[reader]:
            report.compared += 1
            if state is None or _told(json.loads(state)) != _told(_undisturbed(mind, load.said[reader])):
                report.different += 1
                report.notes.append(f"{reader} stands otherwise")


def _moves(seal: Seal, mark: str, migrated: Mapping[int, int]) -> int:
    """How often the chat of a talk moved: each time its messages are counted anew. A topic's talk goes into the chat
    that its group became, beside the group's own."""
    if mark.startswith("moved "):
        return len(migrated)
    before = {new: old for old, new in migrated.items()}
    chat = next((new for new in before if seal.mark("address", "telegram", str(new)) == mark), None)
    n = 0
    while chat in before:
        chat, n = before[chat], n + 1
    return n


def _turns_back(ids: list[int]) -> int:
    """How often a message has a lower number than the one before; a chat that moved counts anew."""
    return sum(later < earlier for earlier, later in itertools.pairwise(ids))


def _to_keep(mind: Mind, pushed: list[Update]) -> set[str]:
    """The ids of updates that are for us."""
    commands, bot = mind.script.tables["telegram_commands"], Identity(BOT["id"], BOT["username"])
    found = set()
    for update in pushed:
        heard = read_update(Read.de_json(update, None), bot, commands)
        if heard is not None and heard.addressed and heard.kind != "migrated":
            found.add(heard.external_id)
    return found


def _undisturbed(mind: Mind, texts: list[str]) -> dict[str, Any]:
    """The state of a talk that nothing disturbs."""
    frame = frame_of(load_settings(None, place="MI", group="Larkwater Stewards"), mind)
    state = None
    for n, text in enumerate(texts):
        said = Waiting(n, "finder", text, NOW, 0, {"kind": "text"}, posted_as=n + 1)
        (thought,) = think(mind, frame, Work(1, "telegram", state, n, NOW, False, "", None, (), (said,)))
        state = thought.state if thought.state is not None else state
    return json.loads(state or "{}")


def _told(state: Mapping[str, Any]) -> Any:
    """What must be equal: all but the row's number and the marks of readers."""
    kept = {key: value for key, value in state.items() if key not in ("id", "readers", "unknown")}
    return json.loads(json.dumps(kept), object_hook=lambda one: {k: v for k, v in one.items() if k != "reader"})


def _measure(calls: list[Call], report: Report) -> None:
    """The pace, by the server's clock."""
    done = sorted((call.at, call.chat) for call in calls if call.method in PACED and call.status == 200)
    report.refused_429 = sum(call.status == 429 for call in calls)
    chats: dict[int, list[float]] = defaultdict(list)
    for at, chat in done:
        chats[chat].append(at)
    gaps = [later - earlier for times in chats.values() for earlier, later in itertools.pairwise(times)]
    report.closest_s = min(gaps, default=0.0)
    groups = [_most_within(times, 60.0) for chat, times in chats.items() if chat < 0]
    report.most_in_group_minute = max(groups, default=0)
    report.most_a_second = _most_within([at for at, _ in done], 1.0)


def _most_within(times: list[float], seconds: float) -> int:
    return max((n + 1 - bisect_right(times, at - seconds) for n, at in enumerate(times)), default=0)
