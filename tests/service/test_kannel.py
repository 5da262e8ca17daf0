"""The whole way, with a real gateway: phones, Kannel, the serving process, and back."""

import pytest
from crashing import SENTENCES
from databases import DATABASES, KEY, fresh_url
from gateway import free_port
from kannel import PASSWORD, USER, kannel, needs_kannel
from serving import served
from sqlalchemy import func, select

from chatkey.channels.sms.segments import segments
from chatkey.store import Seal, open_store
from chatkey.store.schema import inbox, outbox

ANA = "+19065550101"
TALK = (
    ("soft short flat needles, 2 white lines under, creekside nr Marquette MI", "(1)"),
    ("small dry buds, twig brown and rough", "(1)"),
    ("no knobs. cones hang down, smaller than a dime", "Eastern hemlock"),
    ("“why”… 🌲", "eastern hemlock"),
)


@needs_kannel
def test_a_whole_identification_goes_through_a_real_gateway(tmp_path):
    port = free_port()
    with kannel(tmp_path / "kannel", get_url=f"http://127.0.0.1:{port}/sms/in") as phones:
        secrets = {"CHATKEY_SMS__USER": USER, "CHATKEY_SMS__PASSWORD": PASSWORD}
        with served(tmp_path, str(tmp_path / "chatkey.db"), phones.push_url, port=port, **secrets):
            for n, (text, part) in enumerate(TALK, 1):
                phones.send([(ANA, text)])
                to, reply = phones.wait_for(n)[-1]
                assert to == ANA
                assert part in reply
                assert segments(reply) <= 2


@needs_kannel
@pytest.mark.parametrize("database", DATABASES)
def test_a_thousand_messages_of_two_hundred_numbers_are_all_kept_and_answered(database, tmp_path):
    numbers = [f"+1{200 + n // 100}5550{100 + n % 100}" for n in range(200)]
    port = free_port()
    store_url = fresh_url(database, tmp_path)
    with kannel(tmp_path / "kannel", get_url=f"http://127.0.0.1:{port}/sms/in") as phones:
        secrets = {"CHATKEY_SMS__USER": USER, "CHATKEY_SMS__PASSWORD": PASSWORD}
        with served(tmp_path, store_url, phones.push_url, port=port, **secrets) as server:
            for n in range(5):
                phones.send([(number, SENTENCES[(n * 7 + k) % 19]) for k, number in enumerate(numbers)])
            phones.wait_for(1, timeout_s=30)
            store = open_store(store_url, Seal(KEY))
            counted = settled(store, 1000)
            assert server.stop() == 0
            with store.read() as connection:
                per_number = connection.execute(
                    select(func.count()).select_from(inbox).group_by(inbox.c.conversation_id)
                ).all()
                sent = connection.scalar(select(func.count()).where(outbox.c.status == "sent"))
            store.close()
        replies = phones.wait_for(sent)
    assert counted == {"done": 1000}
    assert sorted({n for (n,) in per_number}) == [5]
    assert len(replies) == sent >= 200
    assert {to for to, _ in replies} == set(numbers)


def settled(store, n: int) -> dict[str, int]:
    """How the messages stand, as soon as all have come, none waits and every letter is sent; or after a while."""
    import time

    until = time.monotonic() + 120
    while True:
        with store.read() as connection:
            rows = connection.execute(select(inbox.c.status, func.count()).group_by(inbox.c.status)).all()
            letters = connection.scalar(select(func.count()).where(outbox.c.status == "waiting"))
        found = {row[0]: row[1] for row in rows}
        if (found == {"done": n} and not letters) or time.monotonic() > until:
            return found
        time.sleep(0.1)
