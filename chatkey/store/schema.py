"""The tables. A change here wants a migration (`chatkey/store/migrations/`); a test holds the two together."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)
NUMBER = BigInteger().with_variant(Integer, "sqlite")  # SQLite counts by itself only in an INTEGER key


def _id() -> Column[int]:
    return Column("id", NUMBER, primary_key=True, autoincrement=True)


def _conversation() -> Column[int]:
    return Column("conversation_id", NUMBER, ForeignKey("conversations.id", ondelete="SET NULL"), index=True)


# What was true of a store when it was made: above all the mark of its key.
facts = Table("facts", METADATA, Column("name", String(40), primary_key=True), Column("value", Text, nullable=False))

conversations = Table(
    "conversations",
    METADATA,
    _id(),
    Column("mark", String(64), nullable=False, unique=True),  # keyed hash of channel and address
    Column("channel", String(20), nullable=False),
    Column("address", LargeBinary),  # sealed; where replies go
    Column("state", Text),  # JSON of dialog/conversation; NULL before the first turn and after archiving
    Column("revision", Integer, nullable=False, server_default="0"),  # counts turns: who read an older one can't write
    Column("last_at", Float, nullable=False, index=True),
)

inbox = Table(
    "inbox",
    METADATA,
    _id(),
    Column("mark", String(64), nullable=False, unique=True),  # keyed hash of channel and the gateway's id
    _conversation(),
    Column("reader", String(64), nullable=False),  # who wrote, within a conversation
    Column("text", Text),  # NULL once forgotten
    Column("about", JSON(none_as_null=True)),  # what the channel knows beside the words, till it is thought about
    Column("posted_as", NUMBER),  # the channel's number of it, where others may reply to it
    Column("tree", Integer),  # that it was about
    Column("status", String(12), nullable=False),  # waiting, done, failed, muted
    Column("attempts", Integer, nullable=False, server_default="0"),
    Column("received_at", Float, nullable=False, index=True),
    Index("ix_inbox_waiting", "status", "id"),
    sqlite_autoincrement=True,  # an id is never used again, so that order is never in doubt
)

outbox = Table(
    "outbox",
    METADATA,
    _id(),
    _conversation(),
    Column("inbox_id", NUMBER, ForeignKey("inbox.id", ondelete="SET NULL"), unique=True),  # one reply a message
    Column("kind", String(12), nullable=False),  # reply: the next one takes its place; notice: never superseded
    Column("channel", String(20), nullable=False),
    Column("address", LargeBinary),  # sealed; NULL once sent
    Column("text", Text),
    Column("rest", Text, nullable=False, server_default=""),  # what did not fit, for MORE
    Column("cautions", JSON, nullable=False),  # [[text, short], …]: they outlive a reply that is superseded
    Column("tree", Integer),  # that it is about, where a conversation has a thread for each
    Column("posted_as", NUMBER, index=True),  # the channel's number of it, once sent: replies to it name it
    Column("handover_id", NUMBER),  # what it tells the stewards of
    Column("status", String(12), nullable=False),  # waiting, sent, superseded, failed, dropped
    Column("forgets", Boolean, nullable=False, server_default="0"),  # the row goes when it is sent
    Column("attempts", Integer, nullable=False, server_default="0"),
    Column("due_at", Float, nullable=False),
    Column("created_at", Float, nullable=False),
    Column("sent_at", Float),
    Column("knowledge", String(64), nullable=False, server_default=""),
    Column("probability", Float),  # that was shown
    Index("ix_outbox_waiting", "status", "id"),
    sqlite_autoincrement=True,
)

observations = Table(
    "observations",
    METADATA,
    _id(),
    Column("occurrence", String(36), nullable=False, unique=True),  # a UUID that lasts
    _conversation(),
    Column("tree", Integer, nullable=False),
    Column("place", JSON),  # code, county, town, latitude, longitude (rounded)
    Column("claims", JSON, nullable=False),
    Column("month", Integer),
    Column("first_at", Float, nullable=False),
    Column("last_at", Float, nullable=False),
    UniqueConstraint("conversation_id", "tree"),
)

identifications = Table(
    "identifications",
    METADATA,
    _id(),
    Column("observation_id", NUMBER, ForeignKey("observations.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("taxon", String(80), nullable=False),  # "" where it can't be known
    Column("rank", String(20), nullable=False),
    Column("probability", Float),  # as shown; NULL for a person's verdict
    Column("knowledge", String(64), nullable=False),
    Column("verdict", String(12), nullable=False, server_default=""),  # right, other, unknowable: by a person
    Column("at", Float, nullable=False),
)

handovers = Table(
    "handovers",
    METADATA,
    _id(),
    _conversation(),
    Column("tree", Integer, nullable=False),
    Column("reason", String(12), nullable=False),
    Column("detail", Text, nullable=False, server_default=""),
    Column("status", String(12), nullable=False, index=True),  # open, answered, closed
    Column("created_at", Float, nullable=False),
    Column("answered_at", Float),
    Column("verdict", JSON),
    Column("is_told", Boolean, nullable=False, server_default="0"),  # the stewards' group was told of it
    Column("taken_by", Text, nullable=False, server_default=""),  # the steward who looks at it
)

unknown_phrases = Table(
    "unknown_phrases",
    METADATA,
    _id(),
    _conversation(),
    Column("reader", String(64), nullable=False),
    Column("language", String(12), nullable=False),
    Column("words", Text, nullable=False),
    Column("asked", String(60), nullable=False),
    Column("at", Float, nullable=False),
)

opt_outs = Table(
    "opt_outs",
    METADATA,
    Column("mark", String(64), primary_key=True),  # kept after erase, so that silence lasts
    Column("channel", String(20), nullable=False),
    Column("at", Float, nullable=False),
)

erasures = Table(
    "erasures",
    METADATA,
    _id(),
    Column("channel", String(20), nullable=False),
    Column("at", Float, nullable=False),
    Column("scrubbed_at", Float),  # when the files were cleaned of it
)
