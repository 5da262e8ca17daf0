"""Replies that wait to be sent: in order within a conversation, again later where it failed."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import ColumnElement, Connection, and_, delete, func, or_, select, update

from chatkey.store.engine import Store, put, put_once
from chatkey.store.messages import Due, Letter
from chatkey.store.schema import conversations, inbox, opt_outs, outbox

FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 600.0
GIVE_UP_AFTER_S = 3 * 86400.0  # a reply about a twig in hand is of no use later


def post(
    connection: Connection,
    *,
    conversation: int | None,
    message: int | None,
    channel: str,
    sealed: bytes,
    letter: Letter,
    now: float,
    due: float | None = None,
    forgets: bool = False,
    knowledge: str = "",
    probability: float | None = None,
    handover: int | None = None,
) -> int:
    """A letter into the outbox; a reply takes the place of one to the same finder that was not sent yet.

    `due`: when it may be sent, where that is not at once.
    """
    if letter.kind == "reply" and conversation is not None:
        supersede(connection, conversation, letter.tree)
    row = put(
        outbox,
        conversation_id=conversation,
        inbox_id=message,
        kind=letter.kind,
        channel=channel,
        address=sealed,
        text=letter.text,
        rest=letter.rest,
        cautions=[list(caution) for caution in letter.cautions],
        tree=letter.tree,
        handover_id=handover,
        status="waiting",
        forgets=forgets,
        due_at=now if due is None else due,
        created_at=now,
        knowledge=knowledge,
        probability=probability,
    )
    return int(connection.execute(row.returning(outbox.c.id)).scalar_one())


def supersede(connection: Connection, conversation: int, tree: int | None = None) -> None:
    """Replies of a conversation (about one tree, or any) that were not sent yet will not be."""
    where = and_(outbox.c.conversation_id == conversation, outbox.c.status == "waiting", outbox.c.kind == "reply")
    if tree is not None:
        where = and_(where, or_(outbox.c.tree == tree, outbox.c.tree.is_(None)))
    connection.execute(update(outbox).where(where).values(status="superseded", text=None, address=None))


def drop_all(connection: Connection, conversation: int) -> None:
    """Nothing more goes to this address."""
    where = and_(outbox.c.conversation_id == conversation, outbox.c.status == "waiting")
    connection.execute(update(outbox).where(where).values(status="dropped", text=None, address=None))


def due(store: Store, now: float, most: int = 20, channels: Collection[str] | None = None) -> list[Due]:
    """What may be sent now (by these channels, or any), the first of each conversation."""
    with store.read() as connection:
        rows = connection.execute(select(outbox).where(_is_due(now, channels)).order_by(outbox.c.id).limit(most)).all()
    return [Due(row.id, row.channel, row.address, row.text, row.attempts, row.forgets) for row in rows]


def claim(store: Store, now: float, until: float, channels: Collection[str]) -> Due | None:
    """The first letter that may be sent now; no other process gets it before `until`, when it is due again.

    On PostgreSQL, where several processes may serve one store. A file of SQLite has one: it is spared the writing.
    """
    if store.is_sqlite:
        return next(iter(due(store, now, 1, channels)), None)
    with store.write() as connection:
        first = select(outbox).where(_is_due(now, channels)).order_by(outbox.c.id).limit(1)
        row = connection.execute(first.with_for_update(skip_locked=True)).first()
        if row is None:
            return None
        connection.execute(update(outbox).where(outbox.c.id == row.id).values(due_at=until))
    return Due(row.id, row.channel, row.address, row.text, row.attempts, row.forgets)


def _is_due(now: float, channels: Collection[str] | None) -> ColumnElement[bool]:
    """A time of sending that lies further off than any wait was set by a clock that was ahead: it counts as due."""
    earlier = outbox.alias()
    is_first = ~(
        select(earlier.c.id)
        .where(
            earlier.c.conversation_id == outbox.c.conversation_id,
            earlier.c.status == "waiting",
            earlier.c.id < outbox.c.id,
        )
        .exists()
    )
    is_due = or_(outbox.c.due_at <= now, outbox.c.due_at > now + 2 * LONGEST_WAIT_S)
    of_channels = () if channels is None else (outbox.c.channel.in_(channels),)
    return and_(outbox.c.status == "waiting", is_due, is_first, *of_channels)


def mark_sent(store: Store, id: int, now: float, posted_as: int | None = None) -> None:
    """It went out, under that number of the channel: its address is forgotten; with `forgets` all of it."""
    with store.write() as connection:
        if connection.execute(delete(outbox).where(outbox.c.id == id, outbox.c.forgets)).rowcount:
            return
        sent = {"status": "sent", "sent_at": now, "address": None, "posted_as": posted_as}
        connection.execute(update(outbox).where(outbox.c.id == id).values(**sent))


def try_later(store: Store, letter: Due, now: float) -> None:
    """It failed in a way that may pass: again after a wait that doubles; given up after days."""
    wait = min(FIRST_WAIT_S * 2 ** min(letter.attempts, 20), LONGEST_WAIT_S)
    with store.write() as connection:
        row = update(outbox).where(outbox.c.id == letter.id, outbox.c.status == "waiting")
        is_old = outbox.c.created_at < now - GIVE_UP_AFTER_S
        if connection.execute(row.where(is_old).values(status="failed", address=None)).rowcount:
            return
        connection.execute(row.values(attempts=outbox.c.attempts + 1, due_at=now + wait))


def wait_until(store: Store, id: int, due: float) -> None:
    """It is not this letter's turn before that time; that is no failure."""
    with store.write() as connection:
        connection.execute(update(outbox).where(outbox.c.id == id, outbox.c.status == "waiting").values(due_at=due))


def follow(store: Store, letter: Due, new: str) -> None:
    """It goes to another address, also where no conversation stands behind it."""
    sealed = store.seal.shut(letter.channel, new)
    with store.write() as connection:
        row = update(outbox).where(outbox.c.id == letter.id, outbox.c.status == "waiting")
        connection.execute(row.values(address=sealed))


def give_up_old(connection: Connection, now: float) -> None:
    """Letters that nobody could send for days, nor tried to: their channel is not set up, or takes no pushes."""
    is_old = and_(outbox.c.status == "waiting", outbox.c.created_at < now - GIVE_UP_AFTER_S - LONGEST_WAIT_S)
    connection.execute(delete(outbox).where(is_old, outbox.c.forgets))
    connection.execute(update(outbox).where(is_old).values(status="failed", address=None))


def sent_since(store: Store, channel: str, since: float) -> list[tuple[float, bytes | None]]:
    """When something was sent by a channel, and where to (sealed), the oldest first; None: to the stewards."""
    with store.read() as connection:
        rows = connection.execute(
            select(outbox.c.sent_at, conversations.c.address)
            .outerjoin(conversations, conversations.c.id == outbox.c.conversation_id)
            .where(outbox.c.channel == channel, outbox.c.sent_at > since)
            .order_by(outbox.c.sent_at)
        ).all()
    return [(row.sent_at, row.address) for row in rows]


def give_up(store: Store, id: int) -> None:
    """The gateway refuses it for good."""
    with store.write() as connection:
        connection.execute(update(outbox).where(outbox.c.id == id).values(status="failed", address=None))


def note_opt_out(store: Store, letter: Due, address: str, now: float) -> None:
    """The gateway says that this address has stopped: the same as if it had told us."""
    mark = store.seal.mark("address", letter.channel, address)
    with store.write() as connection:
        connection.execute(put_once(connection, opt_outs, mark=mark, channel=letter.channel, at=now))
        row = connection.execute(select(outbox.c.conversation_id).where(outbox.c.id == letter.id)).first()
        if row and row.conversation_id is not None:
            drop_all(connection, row.conversation_id)
        connection.execute(update(outbox).where(outbox.c.id == letter.id).values(status="dropped", address=None))


def post_notice(store: Store, conversation: int, letter: Letter, now: float) -> None:
    """A word that is no reply of the talk; none to an address that has stopped."""
    with store.write() as connection:
        row = connection.execute(
            select(conversations, opt_outs.c.mark.label("stopped"))
            .outerjoin(opt_outs, opt_outs.c.mark == conversations.c.mark)
            .where(conversations.c.id == conversation)
        ).first()
        if row is None or row.stopped is not None or row.address is None:
            return
        post(
            connection,
            conversation=conversation,
            message=None,
            channel=row.channel,
            sealed=row.address,
            letter=letter,
            now=now,
        )


def reply_to(store: Store, message: int) -> Due | None:
    """The reply to one message that was not handed over yet, for a gateway that takes it in the response.

    Where a later reply took its place, that one; None where there is nothing to say. The last letter to who was
    forgotten belongs to no conversation any more, but to its message.
    """
    of = and_(outbox.c.inbox_id >= message, inbox.c.conversation_id == outbox.c.conversation_id)
    with store.read() as connection:
        row = connection.execute(
            select(outbox)
            .join(inbox, or_(of, outbox.c.inbox_id == inbox.c.id))
            .where(inbox.c.id == message, outbox.c.status == "waiting")
            .order_by(outbox.c.id)
            .limit(1)
        ).first()
    return Due(row.id, row.channel, row.address, row.text, row.attempts, row.forgets) if row else None


def counts(store: Store) -> dict[str, int]:
    """How many letters stand where."""
    with store.read() as connection:
        rows = connection.execute(select(outbox.c.status, func.count()).group_by(outbox.c.status)).all()
    return {row[0]: row[1] for row in rows}
