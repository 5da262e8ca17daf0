"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "conversations",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("mark", sa.String(length=64), nullable=False),
        sa.Column("channel", sa.String(length=20), nullable=False),
        sa.Column("address", sa.LargeBinary(), nullable=True),
        sa.Column("state", sa.Text(), nullable=True),
        sa.Column("revision", sa.Integer(), server_default="0", nullable=False),
        sa.Column("last_at", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_conversations")),
        sa.UniqueConstraint("mark", name=op.f("uq_conversations_mark")),
    )
    with op.batch_alter_table("conversations", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_conversations_last_at"), ["last_at"], unique=False)

    op.create_table(
        "erasures",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("channel", sa.String(length=20), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("scrubbed_at", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_erasures")),
    )
    op.create_table(
        "facts",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_facts")),
    )
    op.create_table(
        "opt_outs",
        sa.Column("mark", sa.String(length=64), nullable=False),
        sa.Column("channel", sa.String(length=20), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("mark", name=op.f("pk_opt_outs")),
    )
    op.create_table(
        "handovers",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("conversation_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("tree", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(length=12), nullable=False),
        sa.Column("detail", sa.Text(), server_default="", nullable=False),
        sa.Column("status", sa.String(length=12), nullable=False),
        sa.Column("created_at", sa.Float(), nullable=False),
        sa.Column("answered_at", sa.Float(), nullable=True),
        sa.Column("verdict", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(
            ["conversation_id"],
            ["conversations.id"],
            name=op.f("fk_handovers_conversation_id_conversations"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_handovers")),
    )
    with op.batch_alter_table("handovers", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_handovers_conversation_id"), ["conversation_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_handovers_status"), ["status"], unique=False)

    op.create_table(
        "inbox",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("mark", sa.String(length=64), nullable=False),
        sa.Column("conversation_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("reader", sa.String(length=64), nullable=False),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("status", sa.String(length=12), nullable=False),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("received_at", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["conversation_id"],
            ["conversations.id"],
            name=op.f("fk_inbox_conversation_id_conversations"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inbox")),
        sa.UniqueConstraint("mark", name=op.f("uq_inbox_mark")),
        sqlite_autoincrement=True,
    )
    with op.batch_alter_table("inbox", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_inbox_conversation_id"), ["conversation_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_inbox_received_at"), ["received_at"], unique=False)
        batch_op.create_index("ix_inbox_waiting", ["status", "id"], unique=False)

    op.create_table(
        "observations",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("occurrence", sa.String(length=36), nullable=False),
        sa.Column("conversation_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("tree", sa.Integer(), nullable=False),
        sa.Column("place", sa.JSON(), nullable=True),
        sa.Column("claims", sa.JSON(), nullable=False),
        sa.Column("month", sa.Integer(), nullable=True),
        sa.Column("first_at", sa.Float(), nullable=False),
        sa.Column("last_at", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["conversation_id"],
            ["conversations.id"],
            name=op.f("fk_observations_conversation_id_conversations"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_observations")),
        sa.UniqueConstraint("conversation_id", "tree", name=op.f("uq_observations_conversation_id_tree")),
        sa.UniqueConstraint("occurrence", name=op.f("uq_observations_occurrence")),
    )
    with op.batch_alter_table("observations", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_observations_conversation_id"), ["conversation_id"], unique=False)

    op.create_table(
        "unknown_phrases",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("conversation_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("reader", sa.String(length=64), nullable=False),
        sa.Column("language", sa.String(length=12), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("asked", sa.String(length=60), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["conversation_id"],
            ["conversations.id"],
            name=op.f("fk_unknown_phrases_conversation_id_conversations"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unknown_phrases")),
    )
    with op.batch_alter_table("unknown_phrases", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_unknown_phrases_conversation_id"), ["conversation_id"], unique=False)

    op.create_table(
        "identifications",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("observation_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("taxon", sa.String(length=80), nullable=False),
        sa.Column("rank", sa.String(length=20), nullable=False),
        sa.Column("probability", sa.Float(), nullable=True),
        sa.Column("knowledge", sa.String(length=64), nullable=False),
        sa.Column("verdict", sa.String(length=12), server_default="", nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["observation_id"],
            ["observations.id"],
            name=op.f("fk_identifications_observation_id_observations"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_identifications")),
    )
    with op.batch_alter_table("identifications", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_identifications_observation_id"), ["observation_id"], unique=False)

    op.create_table(
        "outbox",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("conversation_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("inbox_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("channel", sa.String(length=20), nullable=False),
        sa.Column("address", sa.LargeBinary(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("rest", sa.Text(), server_default="", nullable=False),
        sa.Column("cautions", sa.JSON(), nullable=False),
        sa.Column("status", sa.String(length=12), nullable=False),
        sa.Column("forgets", sa.Boolean(), server_default="0", nullable=False),
        sa.Column("attempts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("due_at", sa.Float(), nullable=False),
        sa.Column("created_at", sa.Float(), nullable=False),
        sa.Column("sent_at", sa.Float(), nullable=True),
        sa.Column("knowledge", sa.String(length=64), server_default="", nullable=False),
        sa.Column("probability", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(
            ["conversation_id"],
            ["conversations.id"],
            name=op.f("fk_outbox_conversation_id_conversations"),
            ondelete="SET NULL",
        ),
        sa.ForeignKeyConstraint(["inbox_id"], ["inbox.id"], name=op.f("fk_outbox_inbox_id_inbox"), ondelete="SET NULL"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("inbox_id", name=op.f("uq_outbox_inbox_id")),
        sqlite_autoincrement=True,
    )
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_outbox_conversation_id"), ["conversation_id"], unique=False)
        batch_op.create_index("ix_outbox_waiting", ["status", "id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.drop_index("ix_outbox_waiting")
        batch_op.drop_index(batch_op.f("ix_outbox_conversation_id"))

    op.drop_table("outbox")
    with op.batch_alter_table("identifications", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_identifications_observation_id"))

    op.drop_table("identifications")
    with op.batch_alter_table("unknown_phrases", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_unknown_phrases_conversation_id"))

    op.drop_table("unknown_phrases")
    with op.batch_alter_table("observations", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_observations_conversation_id"))

    op.drop_table("observations")
    with op.batch_alter_table("inbox", schema=None) as batch_op:
        batch_op.drop_index("ix_inbox_waiting")
        batch_op.drop_index(batch_op.f("ix_inbox_received_at"))
        batch_op.drop_index(batch_op.f("ix_inbox_conversation_id"))

    op.drop_table("inbox")
    with op.batch_alter_table("handovers", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_handovers_status"))
        batch_op.drop_index(batch_op.f("ix_handovers_conversation_id"))

    op.drop_table("handovers")
    op.drop_table("opt_outs")
    op.drop_table("facts")
    op.drop_table("erasures")
    with op.batch_alter_table("conversations", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_conversations_last_at"))

    op.drop_table("conversations")
