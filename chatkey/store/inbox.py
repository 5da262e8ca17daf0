"""Messages that came: kept before anything is thought, once each, and given out in order."""

from __future__ import annotations

import base64
from collections.abc import Collection, Mapping
from typing import Any

from sqlalchemy import Connection, Row, func, select, update

from chatkey.store.coarse import coarse
from chatkey.store.engine import Store, put_once, put_or_change
from chatkey.store.messages import Carried, Inbound, Received, Waiting, Work
from chatkey.store.schema import conversations, inbox, opt_outs, outbox
from chatkey.store.seal import Seal

MOST_TRIES = 3  # of one message before it is set aside
DAY_S = 86400.0
MOST_AT_ONCE = 20  # messages of one conversation thought about in one go


def receive(store: Store, inbound: Inbound, now: float) -> Received:
    """Keeps a message; the same one again changes nothing. Raises StoreUnavailableError: then it was not kept."""
    mark = store.seal.mark("message", inbound.channel, inbound.external_id)
    with store.write() as connection:
        known = connection.execute(select(inbox.c.id, inbox.c.conversation_id).where(inbox.c.mark == mark)).first()
        if known:
            return Received(known.id, known.conversation_id, is_new=False)
        conversation = conversation_of(connection, store, inbound.channel, inbound.address, now)
        muted = inbound.muted or _is_over(connection, conversation, inbound.most_a_day, now)
        put = put_once(
            connection,
            inbox,
            mark=mark,
            conversation_id=conversation,
            reader=inbound.reader,
            text=coarse(inbound.text),
            about=_shut(store.seal, inbound),
            posted_as=inbound.posted_as,
            status="muted" if muted else "waiting",
            received_at=now,
        ).returning(inbox.c.id)
        id = connection.scalar(put)
        if id is None:  # another process kept it in this instant
            id = connection.scalar(select(inbox.c.id).where(inbox.c.mark == mark))
            return Received(int(id or 0), conversation, is_new=False)
    return Received(id, conversation, is_new=True, is_muted=muted)


def _is_over(connection: Connection, conversation: int, most_a_day: int | None, now: float) -> bool:
    """Counted here and not in memory: it outlives a restart, and costs nothing for those who are silent."""
    if most_a_day is None:
        return False
    of_today = (inbox.c.conversation_id == conversation) & (inbox.c.received_at > now - DAY_S)
    return (connection.scalar(select(func.count()).where(of_today)) or 0) >= most_a_day


def conversation_of(connection: Connection, store: Store, channel: str, address: str, now: float) -> int:
    """The conversation of an address, made where it is new. Its row stays locked, so that ids rise in order."""
    mark = store.seal.mark("address", channel, address)
    row = connection.execute(
        select(conversations.c.id, conversations.c.address)
        .where(conversations.c.mark == mark)
        .with_for_update()  # PostgreSQL; SQLite has one writer anyway
    ).first()
    if row and row.address is not None:
        return int(row.id)
    sealed = store.seal.shut(channel, address)
    put = put_or_change(
        connection, conversations, ("mark",), mark=mark, channel=channel, address=sealed, last_at=now
    ).returning(conversations.c.id)
    return int(connection.execute(put).scalar_one())


def next_work(store: Store, in_hand: Collection[int], most: int) -> list[Work]:
    """Conversations with messages that wait, the one that has waited longest first; none that is in hand."""
    with store.read() as connection:
        first = func.min(inbox.c.id)
        waiting = (
            select(inbox.c.conversation_id)
            .where(inbox.c.status == "waiting", inbox.c.conversation_id.is_not(None))
            .group_by(inbox.c.conversation_id)
            .order_by(first)
            .limit(most + len(in_hand))
        )
        ids = [id for (id,) in connection.execute(waiting) if id not in in_hand][:most]
        return [_work(store, connection, id) for id in ids]


def count_try(store: Store, message: int) -> int:
    """One more try of a message whose thinking broke off; how many there were."""
    with store.write() as connection:
        put = update(inbox).where(inbox.c.id == message).values(attempts=inbox.c.attempts + 1)
        return int(connection.execute(put.returning(inbox.c.attempts)).scalar_one())


def is_waiting(store: Store, message: int | None = None) -> bool:
    """Whether this message, or any, waits to be thought about."""
    of = () if message is None else (inbox.c.id == message,)
    with store.read() as connection:
        return connection.scalar(select(inbox.c.id).where(inbox.c.status == "waiting", *of).limit(1)) is not None


def _shut(seal: Seal, inbound: Inbound) -> dict[str, Any] | None:
    """What the channel knows, a name sealed: none is kept in plain till it is known whether this chat wants any."""
    about = dict(inbound.about or {})
    if about.get("name"):
        about["name"] = base64.b64encode(seal.shut(inbound.channel, about["name"])).decode()
    return about or None


def _opened(seal: Seal, channel: str, about: Mapping[str, Any]) -> dict[str, Any]:
    if not about.get("name"):
        return dict(about)
    return {**about, "name": seal.open(channel, base64.b64decode(about["name"]))}


def _work(store: Store, connection: Connection, id: int) -> Work:
    row = connection.execute(
        select(conversations, opt_outs.c.mark.label("stopped"))
        .outerjoin(opt_outs, opt_outs.c.mark == conversations.c.mark)
        .where(conversations.c.id == id)
    ).one()
    messages = connection.execute(
        select(inbox)
        .where(inbox.c.conversation_id == id, inbox.c.status == "waiting")
        .order_by(inbox.c.id)
        .limit(MOST_AT_ONCE)
    )
    last = connection.execute(
        select(outbox.c.rest).where(outbox.c.conversation_id == id).order_by(outbox.c.id.desc()).limit(1)
    ).first()
    unsent = connection.execute(
        select(outbox.c.cautions, outbox.c.tree)
        .where(outbox.c.conversation_id == id, outbox.c.status == "waiting", outbox.c.kind == "reply")
        .order_by(outbox.c.id)
    ).all()
    return Work(
        conversation=id,
        channel=row.channel,
        state=row.state,
        revision=row.revision,
        last_at=row.last_at,
        is_stopped=row.stopped is not None,
        rest=last.rest if last else "",
        sealed=row.address,
        carried=tuple(Carried(text, short, one.tree) for one in unsent for text, short in one.cautions),
        messages=tuple(_waiting(store.seal, connection, one, row.channel) for one in messages),
    )


def _waiting(seal: Seal, connection: Connection, row: Row[Any], channel: str) -> Waiting:
    about = _opened(seal, channel, row.about or {})
    edited = _edited(connection, row) if about.get("is_edit") else None
    tree = edited.tree if edited is not None else None
    if tree is None and about.get("replies_to"):
        tree = _thread(connection, row.conversation_id, about["replies_to"])
    return Waiting(
        row.id,
        row.reader,
        row.text or "",
        row.received_at,
        row.attempts,
        about,
        tree=tree,
        posted_as=row.posted_as or 0,
        is_last=edited is not None or not about.get("is_edit"),
        edits=str((edited.about or {}).get("turn", "")) if edited is not None else "",
    )


def _thread(connection: Connection, conversation: int, number: int) -> int | None:
    """The tree that a message was about, ours or a finder's, by the channel's number of it."""
    for table in (outbox, inbox):
        of = (table.c.conversation_id == conversation, table.c.posted_as == number, table.c.tree.is_not(None))
        tree = connection.scalar(select(table.c.tree).where(*of).order_by(table.c.id.desc()).limit(1))
        if tree is not None:
            return int(tree)
    return None


def _edited(connection: Connection, row: Row[Any]) -> Row[Any] | None:
    """The message whose words were changed; None where something else came from this reader since."""
    of = (inbox.c.conversation_id == row.conversation_id, inbox.c.reader == row.reader, inbox.c.id < row.id)
    newest = connection.execute(select(inbox).where(*of).order_by(inbox.c.id.desc()).limit(1)).first()
    return newest if newest is not None and newest.posted_as == row.posted_as else None
