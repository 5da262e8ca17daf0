"""How many messages a second one serving process answers, and how long one takes from webhook to stored reply.

    python tests/bench/serving.py [--messages N] [--database sqlite]

Beside it the same server that only keeps the message and sends it back (echo_serve.py). The ratio of the two counts;
client, gateway and server share this machine's cores. Memory: --conversations N begins N conversations and looks at the
server's resident memory on the way.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS), str(TESTS / "service")]

import httpx
import numpy as np
from crashing import SENTENCES
from databases import DATABASES, KEY, fresh_url
from gateway import gateway
from serving import COMMAND, OURS, Server, served
from sqlalchemy import func, select

from chatkey.store import Seal, open_store
from chatkey.store.schema import inbox, outbox

ECHO = (sys.executable, str(Path(__file__).with_name("echo_serve.py")))
NUMBERS = 200
AT_ONCE = 16
STEADY_A_SECOND = 25


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--messages", type=int, default=600)
    parser.add_argument("--database", choices=DATABASES, default="sqlite")
    parser.add_argument("--thinkers", default="1")
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--conversations", type=int, default=0)
    options = parser.parse_args()
    if options.conversations:
        return memory(options.conversations, options.database)
    print(
        f"{'server':8}{'messages/s':>12}{'p50 ms':>9}{'p99 ms':>9}   ({options.database}, steady {STEADY_A_SECOND}/s)"
    )
    rates: dict[str, list[float]] = {"echo": [], "chatkey": []}
    for _ in range(options.rounds):
        for name, command in (("echo", ECHO), ("chatkey", COMMAND)):
            rate, waits = measure(command, options)
            rates[name].append(rate)
            print(f"{name:8}{rate:12.0f}{np.percentile(waits, 50):9.1f}{np.percentile(waits, 99):9.1f}")
    ratio = max(rates["chatkey"]) / max(rates["echo"])
    print(f"chatkey answers {ratio:.2f} times as many messages a second as the server that only echoes (aim 0.5)")
    return 0


def measure(command: tuple[str, ...], options: argparse.Namespace) -> tuple[float, np.ndarray]:
    """Messages a second when as many come as it takes; and ms from kept to answered when they come steadily."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = fresh_url(options.database, folder)
        settings = {"CHATKEY_THINKERS": options.thinkers}
        with gateway() as ours, served(folder, url, ours.url, command, **settings) as server:
            asyncio.run(_send(server, 100, 0, "w"))  # to warm up
            _wait(server, 100)
            asyncio.run(_send(server, 8 * STEADY_A_SECOND, STEADY_A_SECOND, "s"))
            _wait(server, 100 + 8 * STEADY_A_SECOND)
            waits = _waits(server, 100)
            start = time.perf_counter()
            asyncio.run(_send(server, options.messages, 0, "f"))
            _wait(server, 100 + 8 * STEADY_A_SECOND + options.messages)
            rate = options.messages / (time.perf_counter() - start)
    return rate, waits


def memory(n: int, database: str) -> int:
    """Resident memory of the server and its thinking process while conversations are begun."""
    print(f"{'conversations':>14}{'server MB':>11}{'thinker MB':>11}{'seconds':>9}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with gateway() as ours, served(folder, fresh_url(database, folder), ours.url) as server:
            start, done = time.perf_counter(), 0
            for part in (0.02, 0.1, 0.25, 0.5, 0.75, 1.0):
                upto = int(n * part)
                asyncio.run(_send(server, upto - done, 0, f"m{done}-", numbers=upto - done, offset=done))
                done = upto
                _wait(server, done)
                own, *children = _resident_mb(server)
                print(f"{done:14,}{own:11.1f}{sum(children):11.1f}{time.perf_counter() - start:9.0f}", flush=True)
    return 0


async def _send(server: Server, n: int, a_second: float, mark: str, *, numbers: int = NUMBERS, offset: int = 0) -> None:
    """Messages of many numbers: as fast as they are taken, or so many a second."""
    room = asyncio.Semaphore(AT_ONCE)
    async with httpx.AsyncClient(trust_env=False, timeout=60) as client:

        async def one(k: int) -> None:
            who = (offset + k) % (offset + numbers) if numbers > NUMBERS else k % numbers
            text = SENTENCES[k % len(SENTENCES)]
            fields = {"from": f"+1{2000000000 + who}", "to": OURS, "id": f"{mark}{k}", "charset": "UTF-8", "text": text}
            (await client.get(f"{server.url}/sms/in", params=fields)).raise_for_status()
            room.release()

        tasks = set()
        for k in range(n):
            await room.acquire()
            tasks.add(asyncio.create_task(one(k)))
            if a_second:
                await asyncio.sleep(1 / a_second)
            if len(tasks) > 1000:
                _, tasks = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        await asyncio.gather(*tasks)


def _wait(server: Server, n: int) -> None:
    """Until so many messages were thought about."""
    store = open_store(server.store, Seal(KEY))
    until = time.monotonic() + 3600
    while time.monotonic() < until:
        with store.read() as connection:
            done = connection.scalar(select(func.count()).where(inbox.c.status == "done")) or 0
        if done >= n:
            break
        time.sleep(0.02)
    store.close()


def _waits(server: Server, skip: int) -> np.ndarray:
    store = open_store(server.store, Seal(KEY))
    with store.read() as connection:
        rows = connection.execute(
            select(outbox.c.created_at - inbox.c.received_at)
            .join(inbox, inbox.c.id == outbox.c.inbox_id)
            .where(inbox.c.id > skip)
        ).all()
    store.close()
    return np.array([1000 * wait for (wait,) in rows])


def _resident_mb(server: Server) -> list[float]:
    """Of the serving process and its children, from /proc."""
    assert server.process is not None
    own = server.process.pid
    children = Path(f"/proc/{own}/task/{own}/children").read_text().split()
    found = []
    for pid in (str(own), *children):
        fields = dict(
            line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":" in line
        )
        found.append(int(fields["VmRSS"].split()[0]) / 1024)
    return found


if __name__ == "__main__":
    sys.exit(main())
