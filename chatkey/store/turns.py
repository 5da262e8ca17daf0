"""What came of thinking, kept in one transaction: the conversation, the replies, the records, the queue."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import asdict

from sqlalchemy import Connection, delete, select, update

from chatkey.store.engine import Store, put, put_once
from chatkey.store.erase import erase_conversation, erase_names, erase_reader
from chatkey.store.messages import Thought, TreeRecord, Work
from chatkey.store.outbox import drop_all, post
from chatkey.store.schema import (
    conversations,
    handovers,
    identifications,
    inbox,
    observations,
    opt_outs,
    unknown_phrases,
)


def finish(store: Store, work: Work, thoughts: Sequence[Thought], now: float, held_s: float = 0.0) -> bool:
    """Keeps all of it, or nothing: False where another process was faster or the conversation has gone.

    `thoughts` are of the first messages of `work`, in order; one that erases is the last. `held_s`: for so long after
    a message came, its reply is left to the answer of the gateway's own request.
    """
    came = {one.id: one.received_at for one in work.messages}
    with store.write() as connection:
        row = connection.execute(
            select(conversations).where(conversations.c.id == work.conversation).with_for_update()
        ).first()
        if row is None or row.revision != work.revision:
            return False
        state, last_at = row.state, row.last_at
        for thought in thoughts:
            due = min(max(now, came[thought.message] + held_s), now + held_s)  # a clock that jumped holds nothing up
            _keep(connection, row.id, row.mark, row.channel, row.address, thought, now, due)
            state = thought.state if thought.state is not None else state
            last_at = max(last_at, came[thought.message])
        connection.execute(
            update(conversations)
            .where(conversations.c.id == row.id)
            .values(state=state, revision=row.revision + 1, last_at=last_at)
        )
        if thoughts and thoughts[-1].erases:
            last = thoughts[-1]
            erase_conversation(connection, row.id, last.letter, now, message=last.message, due=due)
    return True


def _keep(
    connection: Connection,
    conversation: int,
    mark: str,
    channel: str,
    sealed: bytes,
    thought: Thought,
    now: float,
    due: float,
) -> None:
    status = "failed" if thought.failed else "done"
    kept = {"status": status, "about": dict(thought.about) if thought.about else None, "tree": thought.tree}
    connection.execute(update(inbox).where(inbox.c.id == thought.message).values(**kept))
    if thought.standing == "stop":
        connection.execute(put_once(connection, opt_outs, mark=mark, channel=channel, at=now))
        drop_all(connection, conversation)
    elif thought.standing == "start":
        connection.execute(delete(opt_outs).where(opt_outs.c.mark == mark))
    if thought.letter is not None and not thought.erases:
        post(
            connection,
            conversation=conversation,
            message=thought.message,
            channel=channel,
            sealed=sealed,
            letter=thought.letter,
            now=now,
            due=due,
            knowledge=thought.record.knowledge if thought.record else "",
            probability=thought.record.probability if thought.record else None,
        )
    for letter in () if thought.erases else thought.more:
        post(
            connection, conversation=conversation, message=None, channel=channel, sealed=sealed, letter=letter, now=now
        )
    if thought.drops_names:
        erase_names(connection, conversation, channel, now)
    if thought.forgets_reader:
        erase_reader(connection, conversation, thought.forgets_reader, channel, now)
    for tree in thought.trees:
        record(connection, conversation, tree, now, is_new=False)
    if thought.record is not None:
        record(connection, conversation, thought.record, now)
    for number, reason, detail in thought.handed:
        connection.execute(
            put(
                handovers,
                conversation_id=conversation,
                tree=number,
                reason=reason,
                detail=detail,
                status="open",
                created_at=now,
            )
        )
    for phrase in thought.phrases:
        connection.execute(put(unknown_phrases, conversation_id=conversation, at=now, **asdict(phrase)))


def record(
    connection: Connection, conversation: int, tree: TreeRecord, now: float, *, is_new: bool = True
) -> int | None:
    """The observation of a tree as it is now; an identification more where another one was shown. Returns its id.

    With `is_new` false none is begun: None where there was none.
    """
    known = connection.execute(
        select(observations.c.id).where(
            observations.c.conversation_id == conversation, observations.c.tree == tree.tree
        )
    ).first()
    values = {"place": tree.place, "claims": [dict(claim) for claim in tree.claims], "month": tree.month}
    if known:
        id = int(known.id)
        connection.execute(update(observations).where(observations.c.id == id).values(**values, last_at=now))
    elif not is_new:
        return None
    else:
        row = put(
            observations,
            occurrence=str(uuid.uuid4()),
            conversation_id=conversation,
            tree=tree.tree,
            first_at=now,
            last_at=now,
            **values,
        )
        id = int(connection.execute(row.returning(observations.c.id)).scalar_one())
    if tree.taxon:
        _identify(connection, id, tree, now)
    return id


def _identify(connection: Connection, observation: int, tree: TreeRecord, now: float) -> None:
    last = connection.execute(
        select(identifications)
        .where(identifications.c.observation_id == observation, identifications.c.verdict == "")
        .order_by(identifications.c.id.desc())
        .limit(1)
    ).first()
    shown = (tree.taxon, tree.rank, tree.probability, tree.knowledge)
    if last is None or (last.taxon, last.rank, last.probability, last.knowledge) != shown:
        row = put(
            identifications,
            observation_id=observation,
            taxon=tree.taxon,
            rank=tree.rank,
            probability=tree.probability,
            knowledge=tree.knowledge,
            at=now,
        )
        connection.execute(row)
