"""Forgetting: on request, and by age. What is left afterwards, and that the files hold no more than that."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, Select, and_, delete, exists, func, select, update

from chatkey.store.engine import Store, faults, put
from chatkey.store.messages import Letter
from chatkey.store.outbox import give_up_old, post
from chatkey.store.schema import (
    conversations,
    erasures,
    handovers,
    identifications,
    inbox,
    observations,
    opt_outs,
    outbox,
    unknown_phrases,
)

SCRUBBED_TABLES = (conversations, inbox, outbox, observations, handovers, unknown_phrases)


@dataclass(frozen=True, slots=True)
class Retention:
    """For how many days what is kept: the words of messages, and conversations that nobody goes on with."""

    words_days: float = 30
    conversations_days: float = 365


def erase_conversation(
    connection: Connection,
    conversation: int,
    letter: Letter | None,
    now: float,
    *,
    message: int | None = None,
    due: float | None = None,
) -> None:
    """A finder who wrote alone is forgotten.

    What stays: the trees as records without reader, words, facts, county and coordinates; the marks of messages, so
    that a redelivery revives nothing; an opt-out. Messages that wait behind begin a new conversation. A last letter
    goes out, and then its row too.
    """
    row = connection.execute(select(conversations).where(conversations.c.id == conversation)).one()
    connection.execute(delete(outbox).where(outbox.c.conversation_id == conversation))
    _empty_told(connection, conversation)
    connection.execute(delete(unknown_phrases).where(unknown_phrases.c.conversation_id == conversation))
    _close_handovers(connection, conversation, now)
    _bare_records(connection, conversation)
    waiting = connection.scalars(
        select(inbox.c.id).where(inbox.c.conversation_id == conversation, inbox.c.status == "waiting")
    ).all()
    connection.execute(
        update(inbox)
        .where(inbox.c.conversation_id == conversation, inbox.c.status != "waiting")
        .values(text=None, reader="", about=None, conversation_id=None)
    )
    connection.execute(
        update(conversations).where(conversations.c.id == conversation).values(mark=f"gone {conversation}")
    )
    if waiting:
        anew = put(conversations, mark=row.mark, channel=row.channel, address=row.address, last_at=row.last_at)
        id = connection.execute(anew.returning(conversations.c.id)).scalar_one()
        connection.execute(update(inbox).where(inbox.c.id.in_(waiting)).values(conversation_id=id))
    connection.execute(delete(conversations).where(conversations.c.id == conversation))
    connection.execute(put(erasures, channel=row.channel, at=now))
    if letter is not None and row.address is not None:
        post(
            connection,
            conversation=None,
            message=message,
            channel=row.channel,
            sealed=row.address,
            letter=letter,
            now=now,
            due=due,
            forgets=True,
        )


def erase_reader(connection: Connection, conversation: int, reader: str, channel: str, now: float) -> None:
    """One of several who write in a chat is forgotten: their words go, and what was sent, for it may quote them.

    The records of the trees are written anew by the caller, from what the others said.
    """
    connection.execute(
        update(inbox)
        .where(inbox.c.conversation_id == conversation, inbox.c.reader == reader, inbox.c.status != "waiting")
        .values(text=None, reader="", about=None)
    )
    _empty_sent(connection, conversation)
    _empty_told(connection, conversation)
    connection.execute(
        delete(unknown_phrases).where(
            unknown_phrases.c.conversation_id == conversation, unknown_phrases.c.reader == reader
        )
    )
    of_words = and_(handovers.c.conversation_id == conversation, handovers.c.reason == "unsafe")
    connection.execute(update(handovers).where(of_words).values(detail=""))
    connection.execute(put(erasures, channel=channel, at=now))


def erase_names(connection: Connection, conversation: int, channel: str, now: float) -> None:
    """Names that were said back go with what was sent; the conversation's own are written anew by the caller."""
    _empty_sent(connection, conversation)
    _empty_told(connection, conversation)
    connection.execute(put(erasures, channel=channel, at=now))


def move_address(store: Store, channel: str, old: str, new: str, now: float) -> bool:
    """A chat has another address now: its conversation, what waits for it and its opt-out go there. False where
    nothing of it was known. Where the new address has a conversation already, the old one's messages wait no longer
    behind it: both stand, and what is sent goes to the new one."""
    before, after = (store.seal.mark("address", channel, address) for address in (old, new))
    with store.write() as connection:
        row = connection.execute(select(conversations.c.id).where(conversations.c.mark == before)).first()
        connection.execute(
            update(opt_outs).where(opt_outs.c.mark == before, ~exists().where(_same(after))).values(mark=after)
        )
        if row is None:
            return False
        sealed = store.seal.shut(channel, new)
        waiting = and_(outbox.c.conversation_id == row.id, outbox.c.status == "waiting")
        connection.execute(update(outbox).where(waiting).values(address=sealed, due_at=now))
        taken = connection.scalar(select(conversations.c.id).where(conversations.c.mark == after))
        mark = after if taken is None else f"moved {row.id}"
        moved = update(conversations).where(conversations.c.id == row.id)
        connection.execute(moved.values(mark=mark, address=sealed))
    return True


def _same(mark: str) -> ColumnElement[bool]:
    other = opt_outs.alias()
    return other.c.mark == mark


def scrub(store: Store, now: float, *, whole: bool = False) -> bool:
    """Cleans the files of what was erased; False where it has to be tried again.

    SQLite: freed pages are overwritten as they are freed (secure_delete); here the write-ahead log is emptied.
    PostgreSQL: VACUUM FULL of the tables that held it. Its own write-ahead log and backups keep what they hold until
    they are recycled. `whole`: also where nothing was erased since the last time.
    """
    with store.read() as connection:
        open_ones = connection.scalar(
            select(func.count()).select_from(erasures).where(erasures.c.scrubbed_at.is_(None))
        )
    if not open_ones and not whole:
        return True
    if not (_truncate_log(store) if store.is_sqlite else _vacuum(store)):
        return False
    with store.write() as connection:
        unsent = select(outbox.c.id).where(outbox.c.forgets, outbox.c.status == "waiting")
        if not connection.scalar(select(exists(unsent))):  # the last letter still holds the address
            connection.execute(update(erasures).where(erasures.c.scrubbed_at.is_(None)).values(scrubbed_at=now))
    return True


def archive(store: Store, retention: Retention, now: float) -> int:
    """Forgets by age: words of messages, and conversations that nobody goes on with; how many of those.

    The records of their trees stay, the facts too; addresses and words go. Who comes back begins anew.
    """
    words_before = now - retention.words_days * 86400
    before = now - retention.conversations_days * 86400
    with store.write() as connection:
        connection.execute(
            update(inbox)
            .where(inbox.c.received_at < words_before, inbox.c.status != "waiting", inbox.c.text.is_not(None))
            .values(text=None, about=None)
        )
        connection.execute(
            update(outbox)
            .where(outbox.c.created_at < words_before, outbox.c.status != "waiting", outbox.c.text.is_not(None))
            .values(text=None, rest="", cautions=[])
        )
        give_up_old(connection, now)
        old = _idle_since(before)
        ids = connection.scalars(old).all()
        for id in ids:
            connection.execute(delete(outbox).where(outbox.c.conversation_id == id))
            connection.execute(delete(unknown_phrases).where(unknown_phrases.c.conversation_id == id))
            connection.execute(delete(conversations).where(conversations.c.id == id))
    return len(ids)


def _idle_since(before: float) -> Select[tuple[int]]:
    """Conversations whose last message is older, with nothing that waits: no message, no letter, no steward."""
    waits = [
        exists(select(table.c.id).where(table.c.conversation_id == conversations.c.id, table.c.status == status))
        for table, status in ((inbox, "waiting"), (outbox, "waiting"), (handovers, "open"))
    ]
    return select(conversations.c.id).where(and_(conversations.c.last_at < before, *(~one for one in waits)))


def _empty_sent(connection: Connection, conversation: int) -> None:
    sent = and_(outbox.c.conversation_id == conversation, outbox.c.status != "waiting")
    connection.execute(update(outbox).where(sent).values(text=None, rest="", cautions=[]))


def _empty_told(connection: Connection, conversation: int) -> None:
    """What the stewards were told holds finders' words. Its number stays, so that a late answer is met with a word."""
    told = outbox.c.handover_id.in_(select(handovers.c.id).where(handovers.c.conversation_id == conversation))
    is_sent = outbox.c.status != "waiting"
    connection.execute(update(outbox).where(told, is_sent).values(text=None, rest="", cautions=[]))
    connection.execute(delete(outbox).where(told, ~is_sent))


def _close_handovers(connection: Connection, conversation: int, now: float) -> None:
    of = handovers.c.conversation_id == conversation
    connection.execute(update(handovers).where(of).values(detail="", verdict=None, conversation_id=None))
    is_open = and_(handovers.c.conversation_id.is_(None), handovers.c.status == "open")
    connection.execute(update(handovers).where(is_open).values(status="closed", answered_at=now))


def _bare_records(connection: Connection, conversation: int) -> None:
    """The trees without the reader: what was said and where exactly goes, what it was and the state stays."""
    rows = connection.execute(
        select(observations.c.id, observations.c.place).where(observations.c.conversation_id == conversation)
    ).all()
    for row in rows:
        place = {"code": row.place["code"]} if row.place and row.place.get("code") else None
        bare = update(observations).where(observations.c.id == row.id)
        connection.execute(bare.values(claims=[], place=place, conversation_id=None))
    named = select(identifications.c.observation_id)
    connection.execute(
        delete(observations).where(observations.c.id.in_([row.id for row in rows]), observations.c.id.not_in(named))
    )


def _truncate_log(store: Store) -> bool:
    with faults(), store.engine.connect() as connection:
        raw = connection.connection.cursor()
        busy = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        connection.rollback()
    return not busy


def _vacuum(store: Store) -> bool:
    engine = store.engine.execution_options(isolation_level="AUTOCOMMIT")
    with faults(), engine.connect() as connection:
        for table in SCRUBBED_TABLES:
            connection.exec_driver_sql(f"VACUUM FULL {table.name}")
        connection.exec_driver_sql("CHECKPOINT")
    return True
