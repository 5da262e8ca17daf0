"""Trees that a steward gave a verdict on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select

from chatkey.store.engine import Store
from chatkey.store.schema import conversations, identifications, observations


@dataclass(frozen=True, slots=True)
class JudgedTree:
    """One tree with what the steward said last. `claims`: as recorded, without the words; `state`: of its conversation,
    JSON, None once that was archived or forgotten."""

    taxon: str
    tree: int
    claims: tuple[Mapping[str, Any], ...]
    state: str | None


def judged_trees(store: Store) -> list[JudgedTree]:
    """All trees whose last verdict names a plant, in the order they were recorded."""
    last = (
        select(func.max(identifications.c.id).label("id"))
        .where(identifications.c.verdict != "")
        .group_by(identifications.c.observation_id)
        .subquery()
    )
    rows = (
        select(identifications.c.taxon, observations.c.tree, observations.c.claims, conversations.c.state)
        .join(last, last.c.id == identifications.c.id)
        .join(observations, observations.c.id == identifications.c.observation_id)
        .outerjoin(conversations, conversations.c.id == observations.c.conversation_id)
        .where(identifications.c.verdict.in_(("right", "other")))
        .order_by(observations.c.id)
    )
    with store.read() as connection:
        return [JudgedTree(row.taxon, row.tree, tuple(row.claims), row.state) for row in connection.execute(rows)]
