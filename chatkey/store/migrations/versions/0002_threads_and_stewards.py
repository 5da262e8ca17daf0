"""Threads of trees in one chat, and what the stewards' group was told."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("handovers", sa.Column("is_told", sa.Boolean(), server_default="0", nullable=False))
    op.add_column("handovers", sa.Column("taken_by", sa.Text(), server_default="", nullable=False))
    op.add_column("inbox", sa.Column("about", sa.JSON(none_as_null=True), nullable=True))
    op.add_column("inbox", sa.Column("posted_as", _number(), nullable=True))
    op.add_column("inbox", sa.Column("tree", sa.Integer(), nullable=True))
    op.add_column("outbox", sa.Column("tree", sa.Integer(), nullable=True))
    op.add_column("outbox", sa.Column("posted_as", _number(), nullable=True))
    op.add_column("outbox", sa.Column("handover_id", _number(), nullable=True))
    op.create_index(op.f("ix_outbox_posted_as"), "outbox", ["posted_as"], unique=False)


def downgrade() -> None:
    op.drop_index(op.f("ix_outbox_posted_as"), "outbox")
    for table, columns in (
        ("outbox", ("handover_id", "posted_as", "tree")),
        ("inbox", ("tree", "posted_as", "about")),
        ("handovers", ("taken_by", "is_told")),
    ):
        for column in columns:
            op.drop_column(table, column)


def _number() -> sa.types.TypeEngine[int]:
    return sa.BigInteger().with_variant(sa.Integer(), "sqlite")
