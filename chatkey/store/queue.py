"""What waits for a steward, and what one answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, or_, select, update

from chatkey.store.engine import NotInQueueError, Store, StoreError, put
from chatkey.store.messages import Given, Letter, TreeRecord
from chatkey.store.outbox import post
from chatkey.store.schema import conversations, handovers, identifications, inbox, outbox
from chatkey.store.turns import record

LAST_MESSAGES = 12
LAST_ANSWERS = 20  # from which it is told how long an answer takes
DAY_S = 86400.0


def waiting(store: Store, status: str = "open") -> list[Given]:
    """Trees that wait, the oldest first; several reasons for one tree are one entry, under its first id."""
    with store.read() as connection:
        rows = connection.execute(
            select(handovers, conversations.c.channel, conversations.c.state)
            .outerjoin(conversations, conversations.c.id == handovers.c.conversation_id)
            .where(handovers.c.status == status)
            .order_by(handovers.c.id)
        ).all()
        found: dict[tuple[int, int], list[Any]] = {}
        for row in rows:
            found.setdefault((row.conversation_id or -row.id, row.tree), []).append(row)
        return [_given(connection, group) for group in found.values()]


def entry(store: Store, id: int) -> Given:
    """One entry of the queue, by the id of any of its reasons. Raises StoreError."""
    with store.read() as connection:
        row = connection.execute(select(handovers).where(handovers.c.id == id)).first()
        if row is None:
            raise NotInQueueError(f"entry {id}", "is not in the queue", "look with `chatkey queue`")
        same = handovers.c.id == id
        if row.conversation_id is not None:
            same = (handovers.c.conversation_id == row.conversation_id) & (handovers.c.tree == row.tree)
            same &= handovers.c.status == row.status
        rows = connection.execute(
            select(handovers, conversations.c.channel, conversations.c.state)
            .outerjoin(conversations, conversations.c.id == handovers.c.conversation_id)
            .where(same)
            .order_by(handovers.c.id)
        ).all()
        return _given(connection, list(rows))


def answer(
    store: Store, given: Given, *, letter: Letter, state: str, tree: TreeRecord, verdict: Mapping[str, str], now: float
) -> bool:
    """A steward's answer: to the finder, into the conversation and the record, in one transaction.

    False where the conversation moved meanwhile: work it out anew. Raises StoreError where it was answered already.
    """
    with store.write() as connection:
        row = connection.execute(
            select(conversations).where(conversations.c.id == given.conversation).with_for_update()
        ).first()
        if row is None:
            raise StoreError(f"entry {given.id}", "belongs to a finder who was forgotten", "leave it")
        if row.state != given.state:
            return False
        same = (handovers.c.conversation_id == row.id) & (handovers.c.tree == given.tree)
        done = connection.execute(
            update(handovers)
            .where(same, handovers.c.status == "open")
            .values(status="answered", answered_at=now, verdict=dict(verdict))
        )
        if not done.rowcount:
            raise StoreError(f"entry {given.id}", "was answered already", "look with `chatkey queue`")
        connection.execute(
            update(conversations).where(conversations.c.id == row.id).values(state=state, revision=row.revision + 1)
        )
        post(
            connection,
            conversation=row.id,
            message=None,
            channel=row.channel,
            sealed=row.address,
            letter=letter,
            now=now,
            knowledge=tree.knowledge,
        )
        _keep_verdict(connection, row.id, tree, verdict, now)
    return True


def untold(store: Store, most: int = 20) -> list[Given]:
    """Trees that wait, and of which the stewards' group was not told yet."""
    with store.read() as connection:
        ids = connection.scalars(
            select(handovers.c.id)
            .where(handovers.c.status == "open", ~handovers.c.is_told)
            .order_by(handovers.c.id)
            .limit(most)
        ).all()
    found: dict[int, Given] = {}
    for id in ids:
        given = entry(store, id)
        found[given.id] = given
    return list(found.values())


def tell(store: Store, given: Given, channel: str, address: str, letters: Sequence[Letter], now: float) -> bool:
    """Letters to the stewards about one entry, once: False where they were told already."""
    with store.write() as connection:
        told = (
            update(handovers)
            .where(_reasons_of(given), handovers.c.status == "open", ~handovers.c.is_told)
            .values(is_told=True)
        )
        if not connection.execute(told).rowcount:
            return False
        for letter in letters:
            sealed = store.seal.shut(channel, address)
            post(
                connection,
                conversation=None,
                message=None,
                channel=channel,
                sealed=sealed,
                letter=letter,
                now=now,
                handover=given.id,
            )
    return True


def note_to(store: Store, channel: str, address: str, letter: Letter, now: float) -> None:
    """A word to the stewards that is of no entry."""
    with store.write() as connection:
        sealed = store.seal.shut(channel, address)
        post(connection, conversation=None, message=None, channel=channel, sealed=sealed, letter=letter, now=now)


def told_as(store: Store, posted_as: int) -> int | None:
    """The entry that a message in the stewards' group is about; None for any other message."""
    with store.read() as connection:
        found = select(outbox.c.handover_id).where(outbox.c.posted_as == posted_as, outbox.c.handover_id.is_not(None))
        return connection.scalar(found.order_by(outbox.c.id.desc()).limit(1))


def take(store: Store, id: int, by: str) -> str:
    """Marks who looks at an entry, the first only; who has it now."""
    given = entry(store, id)
    with store.write() as connection:
        free = update(handovers).where(_reasons_of(given), handovers.c.status == "open", handovers.c.taken_by == "")
        connection.execute(free.values(taken_by=by))
        return connection.scalar(select(handovers.c.taken_by).where(handovers.c.id == given.id)) or by


def _reasons_of(given: Given) -> ColumnElement[bool]:
    """The rows of one entry: a tree may be handed over for several reasons."""
    if given.conversation is None:
        return handovers.c.id == given.id
    return (handovers.c.conversation_id == given.conversation) & (handovers.c.tree == given.tree)


def days_of_late(store: Store) -> float | None:
    """How many days the last answers took, at the slow end (four in five were faster); None without any."""
    with store.read() as connection:
        rows = connection.execute(
            select(handovers.c.answered_at - handovers.c.created_at)
            .where(handovers.c.status == "answered")
            .order_by(handovers.c.answered_at.desc())
            .limit(LAST_ANSWERS)
        ).all()
    waits = sorted(max(0.0, wait) for (wait,) in rows)
    return waits[(len(waits) * 4 - 1) // 5] / DAY_S if waits else None


def n_open(store: Store) -> int:
    """How many entries wait."""
    with store.read() as connection:
        return int(connection.scalar(select(func.count()).where(handovers.c.status == "open")) or 0)


def _given(connection: Connection, rows: list[Any]) -> Given:
    first = rows[0]
    said = connection.execute(
        select(inbox.c.received_at, inbox.c.text, inbox.c.about)
        .where(
            inbox.c.conversation_id == first.conversation_id,
            or_(inbox.c.text.is_not(None), inbox.c.about.is_not(None)),
            or_(inbox.c.tree == first.tree, inbox.c.tree.is_(None)),
        )
        .order_by(inbox.c.id.desc())
        .limit(LAST_MESSAGES)
    ).all()
    return Given(
        id=first.id,
        conversation=first.conversation_id,
        channel=first.channel or "",
        tree=first.tree,
        reasons=tuple(dict.fromkeys(row.reason for row in rows)),
        details=tuple(dict.fromkeys(row.detail for row in rows if row.detail)),
        status=first.status,
        created_at=first.created_at,
        state=first.state,
        messages=tuple((row.received_at, row.text) for row in reversed(said) if row.text),
        photos=tuple(row.about["photo"] for row in reversed(said) if row.about and row.about.get("photo")),
        taken_by=first.taken_by,
    )


def _keep_verdict(
    connection: Connection, conversation: int, tree: TreeRecord, verdict: Mapping[str, str], now: float
) -> None:
    observation = record(connection, conversation, tree, now)
    if observation is not None and verdict["kind"] in ("right", "other", "unknowable"):
        row = put(
            identifications,
            observation_id=observation,
            taxon=verdict["taxon"] if verdict["kind"] != "unknowable" else "",
            rank=verdict.get("rank", ""),
            knowledge=tree.knowledge,
            verdict=verdict["kind"],
            at=now,
        )
        connection.execute(row)
