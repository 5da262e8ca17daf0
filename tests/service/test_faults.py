"""What goes wrong around a serving process (gateway, store, clock, processes) loses, doubles and mixes up nothing."""

import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
from collections import Counter
from functools import partial
from pathlib import Path

import httpx
import pytest
from databases import DATABASES, KEY, fresh_store, fresh_url
from doors import ANSWERING, SIGNING_KEY, form, pass_in, profile
from gateway import Gateway, free_port, gateway
from phones import ANA, BEN
from pydantic import SecretStr
from serving import served
from sqlalchemy import create_engine, func, select, update
from sqlalchemy.engine import make_url
from starlette.testclient import TestClient

from chatkey.service import pool, post, running, serve
from chatkey.service.serve import PATH, build, frame_of
from chatkey.service.thinking import think
from chatkey.store import Seal, engine, open_store
from chatkey.store.engine import store_url
from chatkey.store.inbox import next_work, receive
from chatkey.store.messages import Inbound, Letter, Thought
from chatkey.store.outbox import LONGEST_WAIT_S, claim, due
from chatkey.store.schema import conversations, inbox, outbox
from chatkey.store.turns import finish

CAL = "+19065550103"
NOW = 1_790_000_000.0
FOUND = "soft flat needles, 2 white lines under, by a creek near Marquette MI"
BREAKS = "kaboom"
END_THE_OTHERS = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid() AND datname IS NOT NULL"
)
DEADLY = f"""\
import os, sys
import chatkey.service.pool as pool
from chatkey.cli import main
think = pool.think
def deadly(mind, frame, work):
    if any("{BREAKS}" in message.text for message in work.messages):
        os._exit(9)
    return think(mind, frame, work)
pool.think = deadly
if __name__ == "__main__":
    sys.exit(main(["serve"]))
"""


@pytest.fixture(autouse=True)
def short_waits(monkeypatch):
    for module in (running, post):
        monkeypatch.setattr(module, "POLL_S", 0.02)
        monkeypatch.setattr(module, "FIRST_PAUSE_S", 0.01)
        monkeypatch.setattr(module, "LONGEST_PAUSE_S", 0.02)


@pytest.fixture
def on_text(monkeypatch):
    """What is done just before the gateway says that it took a text, once each."""
    hooks = []
    take = Gateway.take

    async def hooked(self, request):
        if hooks:
            hooks.pop()()
        return await take(self, request)

    monkeypatch.setattr(Gateway, "take", hooked)
    return hooks


@pytest.fixture(params=DATABASES)
def anywhere(request, settings, tmp_path):
    """The settings with a fresh store on either database."""
    settings.store = fresh_url(request.param, tmp_path)
    return settings


@pytest.fixture
def locked(monkeypatch, anywhere):
    """Locks the store from outside for as long as the block lasts; those who wait soon give up."""
    monkeypatch.setattr(engine, "BUSY_MS", 30)

    @contextlib.contextmanager
    def locking():
        line = create_engine(store_url(anywhere.store))
        with line.connect() as connection:
            if line.dialect.name == "sqlite":
                connection.connection.dbapi_connection.isolation_level = None
                connection.exec_driver_sql("BEGIN IMMEDIATE")
            else:
                connection.exec_driver_sql("LOCK TABLE conversations, inbox, outbox IN ACCESS EXCLUSIVE MODE")
            yield
            connection.exec_driver_sql("ROLLBACK")
        line.dispose()

    return locking


# The gateway.


@pytest.mark.parametrize("down", ["answers 503", "does not listen"])
def test_after_a_minute_without_a_gateway_each_phone_gets_its_reply_once(anywhere, opened, down):
    port = free_port()
    with contextlib.ExitStack() as stack:
        phones = opened(push_url=f"http://127.0.0.1:{port}/send")
        if down == "answers 503":
            phones.gateway = stack.enter_context(gateway(port))
            phones.gateway.status = 503
        phones.deliver(ANA, "evergreen, soft. can a real person look at it")
        until(lambda: phones.queue())
        phones.answer(phones.queue()[0]["id"], "Look at the bark, please.")
        for number in (ANA, BEN, CAL):
            phones.deliver(number, FOUND)
        until(lambda: states(phones) == {"done": 4})
        for _ in range(20):
            phones.clock.now += 3
            until(lambda: tried(phones))
        if down == "does not listen":
            phones.gateway = stack.enter_context(gateway(port))
        phones.gateway.status = 202
        phones.clock.now += LONGEST_WAIT_S
        phones.gateway.wait(4)
        until(lambda: "waiting" not in states(phones, outbox))
        given = Counter(number for number, _ in phones.gateway.given)
        assert given == {ANA: 2, BEN: 1, CAL: 1}
        assert "Look at the bark" in phones.gateway.texts(ANA)[0]
        assert "soft needles" in phones.gateway.texts(ANA)[1]


def tried(phones):
    """No letter is due any more: each was tried, or waits behind another."""
    with kept(phones.settings.store) as own:
        return not due(own, phones.clock.now)


# The store.


def test_what_comes_while_the_store_is_locked_is_answered_with_503_and_kept_when_it_comes_again(locked, opened):
    phones = opened()
    said = [(number, f"{number}-{n}") for n in range(2) for number in (ANA, BEN)]
    with locked():
        assert {phones.deliver(number, FOUND, id).status_code for number, id in said} == {503}
    assert states(phones) == {}
    for _ in range(2):
        assert {phones.deliver(number, FOUND, id).status_code for number, id in said} == {200}
    until(lambda: states(phones) == {"done": 4})
    phones.next(ANA)
    phones.next(BEN)


def test_a_letter_that_went_out_while_the_store_was_locked_is_not_sent_again(on_text, locked, opened):
    phones = opened()
    lock = locked()
    on_text.append(lock.__enter__)
    phones.deliver(ANA, FOUND, "1")
    phones.arriving(ANA)
    assert phones.deliver(BEN, FOUND, "2").status_code == 503
    lock.__exit__(None, None, None)
    assert phones.deliver(BEN, FOUND, "2").status_code == 200
    phones.next(BEN)
    phones.say(ANA, "why")
    assert len(phones.gateway.texts(ANA)) == 2


def test_a_reply_in_the_answer_is_not_pushed_where_the_store_was_locked_when_it_left(locked, opened, tmp_path):
    phones = opened(gateway=profile(tmp_path, ANSWERING), signing_key=SecretStr(SIGNING_KEY))
    app, lock = phones.client.app, locked()

    def when_answered():
        lock.__enter__()
        asyncio.get_running_loop().call_later(0.2, lock.__exit__, None, None, None)

    answer = phones.client.portal.call(pass_in, app, form(ANA, FOUND, "1").asked, when_answered)
    assert b"soft needles" in answer.body
    phones.clock.now += 60
    until(lambda: states(phones, outbox) == {"sent": 1})
    assert phones.gateway.given == []


def test_a_full_disk_takes_nothing_and_once_there_is_room_all_is_answered(small_disk, settings, on_text, opened):
    settings.store = str(small_disk / "chatkey.db")
    phones = opened()
    filler = small_disk / "filler"
    on_text.append(lambda: fill(filler))
    phones.deliver(ANA, FOUND, "1")
    phones.arriving(ANA)
    assert {phones.deliver(BEN, FOUND, str(n)).status_code for n in range(2, 9)} == {503}
    filler.unlink()
    for n in range(2, 9):
        assert phones.deliver(BEN, "soft", str(n)).status_code == 200
    until(lambda: states(phones) == {"done": 8})
    until(lambda: "waiting" not in states(phones, outbox))
    assert len(phones.gateway.texts(ANA)) == 1


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 4 MB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounting = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)]
    if os.getuid() != 0 or subprocess.run(mounting, capture_output=True).returncode:
        pytest.skip("only who may mount can make a small disk")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(path):
    with path.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while file.write(b"x" * 1024):
            pass


def test_a_database_that_has_reached_its_largest_size_takes_nothing_and_loses_nothing(settings, opened, tmp_path):
    phones = opened()
    phones.say(ANA, FOUND)
    writing = phones.client.app.state.running.keeper.store
    with writing.read() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
    writing.engine.dispose()
    cap = limit_pages(writing.engine, pages + 1)
    answers = [phones.deliver(BEN, "soft " + 1500 * "x", f"full-{n}").status_code for n in range(12)]
    assert answers[-1] == 503
    cap()
    writing.engine.dispose()
    for n in range(12):
        assert phones.deliver(BEN, "soft " + 1500 * "x", f"full-{n}").status_code == 200
    until(lambda: states(phones) == {"done": 13})


def limit_pages(of, pages):
    """Each new connection may grow the file to so many pages; returns what takes that back."""
    from sqlalchemy import event

    def limit(connection, _record):
        connection.execute(f"PRAGMA max_page_count = {pages}")

    event.listen(of, "connect", limit)
    return lambda: event.remove(of, "connect", limit)


def test_connections_that_the_server_ends_are_made_anew(settings, opened, tmp_path):
    settings.store = fresh_url("postgresql", tmp_path)
    phones = opened()
    phones.say(ANA, FOUND, "1")
    for n in range(3):
        end_connections(settings.store)
        again_until_kept(phones, ANA, "why", f"again-{n}")
        phones.next(ANA)
    until(lambda: states(phones) == {"done": 4})


def test_a_database_that_is_away_for_a_while_is_waited_for(settings, opened, tmp_path):
    settings.store = fresh_url("postgresql", tmp_path)
    phones = opened()
    phones.say(ANA, FOUND, "1")
    with away(settings.store):
        assert phones.client.get("/ready").status_code == 503
        assert phones.client.get("/health").status_code == 200
        assert phones.deliver(ANA, "why", "2").status_code == 503
    until(lambda: phones.client.get("/ready").status_code == 200)
    again_until_kept(phones, ANA, "why", "2")
    phones.next(ANA)
    assert states(phones) == {"done": 2}


def end_connections(url):
    line = create_engine(store_url(url))
    with line.connect() as connection:
        connection.exec_driver_sql(END_THE_OTHERS)
    line.dispose()


@contextlib.contextmanager
def away(url):
    """The server's socket is hidden and its connections are ended: as if it had been stopped."""
    (socket,) = Path(str(make_url(url).query["host"])).glob(".s.PGSQL.[0-9]*[0-9]")
    hidden = socket.with_name("hidden")
    line = create_engine(store_url(url))
    with line.connect() as connection:
        socket.rename(hidden)
        connection.exec_driver_sql(END_THE_OTHERS)
    line.dispose()
    try:
        yield
    finally:
        hidden.rename(socket)


# The clock and the order.


def test_a_clock_that_jumps_holds_nothing_up_and_changes_no_order(anywhere, opened):
    phones = opened()
    phones.say(ANA, FOUND)
    for jump in (-3600, 86400, -86400, 3600):
        phones.gateway.status = 503
        refused = phones.gateway.refused
        phones.deliver(ANA, "why")
        until(lambda refused=refused: phones.gateway.refused > refused)
        until(lambda: waits_for_later(phones))
        phones.clock.now += jump
        phones.gateway.status = 202
        if jump > 0 or -jump < 2 * LONGEST_WAIT_S:
            phones.clock.now += LONGEST_WAIT_S
        phones.next(ANA)
    until(lambda: "waiting" not in states(phones, outbox))


def waits_for_later(phones):
    with kept(phones.settings.store) as own, own.read() as connection:
        tries = connection.scalars(select(outbox.c.attempts).where(outbox.c.status == "waiting")).all()
    return bool(tries) and all(tries)


def test_a_message_from_before_the_last_one_was_not_idle_for_less_than_no_time(mind, settings, tmp_path):
    frame, texts = frame_of(settings, mind), []
    with fresh_store("sqlite", tmp_path) as store:
        for n, at in enumerate((NOW, NOW - 3600)):
            receive(store, Inbound("sms", str(n), ANA, ("soft", "flat needles")[n]), at)
            (work,) = next_work(store, (), 1)
            thoughts = think(mind, frame, work)
            texts.append(thoughts[0].letter.text)
            assert finish(store, work, thoughts, at)
        with store.read() as connection:
            assert connection.scalar(select(conversations.c.last_at)) == NOW
    assert "told me" not in texts[1]


def test_messages_out_of_order_and_doubled_are_answered_once_each_in_the_order_they_were_kept(anywhere, opened):
    phones = opened()
    replies = [phones.say(ANA, "soft", "2"), phones.say(ANA, "flat needles", "1")]
    for id, text in (("1", "flat needles"), ("1", "flat needles"), ("2", "soft"), ("1", "flat needles")):
        assert phones.deliver(ANA, text, id).status_code == 200
    phones.say(BEN, "help")
    assert phones.gateway.texts(ANA) == replies
    own = phones.store()
    with own.read() as connection:
        kept = connection.scalars(select(inbox.c.text).order_by(inbox.c.id)).all()
    own.close()
    assert kept[:2] == ["soft", "flat needles"]


# The thinking.


def test_a_message_that_always_breaks_is_tried_three_times_and_passed_to_a_person(anywhere, opened, monkeypatch):
    tries = []

    def breaking(mind, frame, work):
        if any(BREAKS in message.text for message in work.messages):
            tries.append(work.messages[0].attempts)
            raise ZeroDivisionError(work.messages[0].text)
        return think(mind, frame, work)

    monkeypatch.setattr(pool, "think", breaking)
    phones = opened()
    phones.say(ANA, FOUND)
    assert phones.say(ANA, BREAKS) == phones.mind.script.say("sms_fault", group="Larkwater Stewards")
    assert tries == [0, 1, 2]
    (entry,) = phones.queue()
    assert entry["reasons"] == ["fault"]
    assert "(1a) stubby knobs" in phones.say(ANA, "twig is rough")  # the talk goes on
    assert states(phones) == {"done": 2, "failed": 1}


def test_a_conversation_that_cannot_be_read_is_passed_to_a_person_and_holds_nobody_up(anywhere, opened):
    phones = opened()
    phones.say(ANA, FOUND)
    own = phones.store()
    with own.write() as connection:
        connection.execute(update(conversations).values(state='{"version": "unheard of"}'))
    own.close()
    phones.deliver(ANA, "why")
    phones.say(BEN, FOUND)
    assert phones.next(ANA) == phones.mind.script.say("sms_fault", group="Larkwater Stewards")
    assert states(phones) == {"done": 2, "failed": 1}


@pytest.fixture(scope="module")
def deadly(tmp_path_factory):
    """A server whose thinking processes die of one word, and its gateway."""
    folder = tmp_path_factory.mktemp("deadly")
    script = folder / "deadly.py"
    script.write_text(DEADLY)
    with (
        gateway() as ours,
        served(folder, str(folder / "chatkey.db"), ours.url, (sys.executable, str(script))) as server,
    ):
        yield server, ours


def test_a_thinking_process_that_is_killed_at_work_is_replaced_and_its_messages_are_answered(deadly):
    server, ours = deadly
    (thinker,) = thinkers(server)
    with client() as line:
        os.kill(thinker, signal.SIGSTOP)
        for number in (ANA, BEN):
            assert server.deliver(line, number, FOUND, number) == 200
        until(lambda: "chatkey_in_hand 2.0" in line.get(f"{server.url}/metrics").text)
        os.kill(thinker, signal.SIGKILL)
        for number in (ANA, BEN):
            ours.wait(1, number=number)
        assert thinkers(server) != [thinker]
    assert kept_states(server)["done"] >= 2


def test_a_message_of_which_thinking_processes_die_is_set_aside_and_its_neighbours_are_answered(deadly):
    server, ours = deadly
    numbers = ("+19065550111", "+19065550112", "+19065550113")
    with client() as line:
        for number, text in zip(numbers, (BREAKS, FOUND, FOUND), strict=True):
            assert server.deliver(line, number, text, number) == 200
    for number in numbers:
        ours.wait(1, number=number)
    assert "stumbled" in ours.texts(numbers[0])[0]
    assert all("soft needles" in ours.texts(number)[0] for number in numbers[1:])
    assert kept_states(server)["failed"] == 1


# Starting and stopping.


@pytest.mark.parametrize("database", DATABASES)
def test_a_process_that_is_told_to_stop_answers_first_what_it_took(database, tmp_path):
    numbers = [f"+1906555{n:04}" for n in range(100, 120)]
    with gateway() as ours, served(tmp_path, fresh_url(database, tmp_path), ours.url) as server, client() as line:
        for number in numbers:
            assert server.deliver(line, number, FOUND, number) == 200
        assert server.stop() == 0
        assert sorted(number for number, _ in ours.given) == numbers
        assert kept_states(server) == {"done": len(numbers)}
        assert json.loads(server.log.splitlines()[-1])["event"] == "stopped"


def test_a_process_that_stops_without_a_gateway_keeps_its_letters_for_the_next_start(tmp_path):
    numbers = [f"+1906555{n:04}" for n in range(100, 104)]
    with gateway() as ours, served(tmp_path, str(tmp_path / "chatkey.db"), ours.url) as server, client() as line:
        ours.status = 503
        for number in numbers:
            assert server.deliver(line, number, FOUND, number) == 200
        assert server.stop() == 0
        assert kept_states(server, outbox) == {"waiting": 4}
        ours.status = 202
        server.start()
        ours.wait(4)
        assert server.stop() == 0
    assert sorted(number for number, _ in ours.given) == numbers


def test_an_application_whose_store_is_locked_ends_all_the_same(locked, anywhere, mind, clock, monkeypatch):
    monkeypatch.setattr(serve, "GRACE_S", 0.5)
    anywhere.sms.push_url = "http://127.0.0.1:1/"
    with contextlib.ExitStack() as stack:
        with TestClient(build(anywhere, partial(one, mind), clock), client=("127.0.0.1", 1)) as door:
            fields = {"from": ANA, "to": "12345", "id": "1", "charset": "UTF-8", "text": FOUND}
            assert door.get(PATH, params=fields).status_code == 200
            stack.enter_context(locked())
        assert not door.app.state.running.is_well


def one(mind):
    return mind


def test_a_process_that_cannot_begin_says_so(tmp_path):
    script = tmp_path / "never.py"
    script.write_text(DEADLY.replace("pool.think = deadly", "pool._is_ready = lambda: os._exit(9)"))
    with (
        pytest.raises(RuntimeError, match="can_not_begin"),
        served(tmp_path, str(tmp_path / "chatkey.db"), "http://127.0.0.1:1/", (sys.executable, str(script))),
    ):
        pass


# Several processes on one store.


def test_two_processes_on_one_store_answer_each_message_once(tmp_path, monkeypatch):
    take = Gateway.take

    async def slowly(self, request):
        await asyncio.sleep(0.02)  # a gateway takes its time: long enough for the other process to look
        return await take(self, request)

    monkeypatch.setattr(Gateway, "take", slowly)
    url = fresh_url("postgresql", tmp_path)
    numbers = [f"+1906555{n:04}" for n in range(100, 120)]
    (tmp_path / "other").mkdir()
    with (
        gateway() as ours,
        served(tmp_path, url, ours.url) as first,
        served(tmp_path / "other", url, ours.url) as second,
        client() as line,
    ):
        for n in range(3):
            for k, number in enumerate(numbers):
                server = (first, second)[(n + k) % 2]
                assert server.deliver(line, number, ("soft", FOUND, "why")[n], f"{number}-{n}") == 200
        until(lambda: kept_states(first) == {"done": 60} and "waiting" not in kept_states(first, outbox))
        assert (first.stop(), second.stop()) == (0, 0)
    sent = kept_states(first, outbox)["sent"]
    assert len(ours.given) == sent
    assert {number for number, _ in ours.given} == set(numbers)
    lines = [json.loads(one) for server in (first, second) for one in server.log.splitlines()]
    assert Counter(one["id"] for one in lines if one["event"] == "letter").most_common(1)[0][1] == 1


def test_a_letter_is_one_process_own_while_it_sends_it(tmp_path):
    with fresh_store("postgresql", tmp_path) as store:
        for number in (ANA, BEN):
            receive(store, Inbound("sms", number, number, "soft"), NOW)
        for work in next_work(store, (), 2):
            finish(store, work, [Thought(work.messages[0].id, None, Letter("reply"))], NOW)
        first = claim(store, NOW, NOW + 15, ("sms",))
        second = claim(store, NOW, NOW + 15, ("sms",))
        assert first.id != second.id
        assert claim(store, NOW, NOW + 15, ("sms",)) is None
        assert claim(store, NOW + 15, NOW + 30, ("telegram",)) is None
        assert claim(store, NOW + 15, NOW + 30, ("sms",)).id == first.id


def until(holds, within=600):
    """Until it holds. Raises AssertionError after some seconds."""
    import time

    for _ in range(within):
        if holds():
            return
        time.sleep(0.02)
    raise AssertionError("it never came to be")


def again_until_kept(phones, number, text, id):
    """As a gateway does: the same message until it is taken."""
    until(lambda: phones.deliver(number, text, id).status_code == 200)


def states(phones, table=inbox):
    """How many rows stand where."""
    with kept(phones.settings.store) as own:
        return counted(own, table)


def kept_states(server, table=inbox):
    with kept(server.store) as own:
        return counted(own, table)


@contextlib.contextmanager
def kept(place):
    """A store as another process would look at it."""
    own = open_store(place, Seal(KEY))
    try:
        yield own
    finally:
        own.close()


def counted(store, table):
    with store.read() as connection:
        return {row[0]: row[1] for row in connection.execute(select(table.c.status, func.count()).group_by("status"))}


def client():
    return httpx.Client(trust_env=False, timeout=30)


def thinkers(server):
    """The process ids of the thinking processes."""
    own = server.process.pid
    children = Path(f"/proc/{own}/task/{own}/children").read_text().split()
    return [int(pid) for pid in children if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]
