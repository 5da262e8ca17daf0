"""A store opened: SQLite in a file or PostgreSQL by URL, with transactions that neither lose nor overwrite."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Insert, Table, create_engine, event, insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import (
    ArgumentError,
    DatabaseError,
    DBAPIError,
    InterfaceError,
    NoSuchModuleError,
    OperationalError,
)
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from chatkey.store.schema import facts
from chatkey.store.seal import Seal
from chatkey.terms import ChatkeyError

KEY_FACT = "key"
BUSY_MS = 5000  # how long a writer waits for another one
POOL = 5
RECYCLE_S = 1800


class StoreError(ChatkeyError):
    """Something is wrong with the store; the message says how to mend it."""


class NotInQueueError(StoreError):
    """An entry that the stewards' queue does not have."""


class StoreUnavailableError(StoreError):
    """The store can't be reached or written just now: full, locked or away. Trying again later is right."""


@dataclass(frozen=True, slots=True, eq=False)
class Store:
    """An engine and the seal of its addresses."""

    engine: Engine
    seal: Seal
    writing: Engine = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "writing", self.engine.execution_options(begin="IMMEDIATE"))

    @property
    def is_sqlite(self) -> bool:
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """One transaction that may change things: all of it or nothing. Raises StoreUnavailableError."""
        with faults(), self.writing.begin() as connection:
            yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """One transaction that only looks, and on SQLite holds nobody up. Raises StoreUnavailableError."""
        with faults(), self.engine.begin() as connection:
            yield connection

    def close(self) -> None:
        self.engine.dispose()


def open_store(url: str | Path, seal: Seal) -> Store:
    """The store at a file's path or a URL; nothing is read or made yet. Raises StoreError."""
    target = store_url(url)
    if target.get_backend_name() == "sqlite":
        if not target.database:
            raise StoreError("store", "names no file", "write sqlite:///PATH, or a path")
        if target.database != ":memory:":
            Path(target.database).parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        engine = create_engine(target, pool_size=POOL, max_overflow=POOL, hide_parameters=True)
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    else:
        engine = create_engine(
            target,
            pool_size=POOL,
            max_overflow=POOL,
            pool_pre_ping=True,
            pool_recycle=RECYCLE_S,
            hide_parameters=True,
        )
        event.listen(engine, "connect", _prepare_postgresql)
    return Store(engine, seal)


def store_url(text: str | Path) -> URL:
    """The URL of a store: a path is one of SQLite, `postgresql://` takes psycopg. Raises StoreError."""
    if isinstance(text, Path) or "://" not in text:
        return URL.create("sqlite", database=str(text))
    try:
        url = make_url(text)
        if url.drivername in ("postgres", "postgresql"):
            url = url.set(drivername="postgresql+psycopg")
        url.get_dialect()
    except (ArgumentError, NoSuchModuleError, ImportError):
        raise StoreError("store", "is no URL that is known", "write sqlite:///PATH or postgresql://HOST/NAME") from None
    if url.get_backend_name() not in ("sqlite", "postgresql"):
        what = f"is of the kind {url.get_backend_name()!r}"
        raise StoreError("store", what, "write sqlite:///PATH or postgresql://HOST/NAME")
    return url


def check_key(store: Store) -> None:
    """The key is the one the store was made with; a new store remembers it. Raises StoreError."""
    own = store.seal.mark("chatkey", "this store")
    with store.write() as connection:
        connection.execute(put_once(connection, facts, name=KEY_FACT, value=own))
        known = connection.scalar(select(facts.c.value).where(facts.c.name == KEY_FACT))
    if known != own:
        raise StoreError("key", "is not the one this store was made with", "use that key, or another store")


def put_once(connection: Connection, table: Table, **values: Any) -> Insert:
    """An insert that does nothing where a unique value is there already."""
    if connection.dialect.name == "sqlite":
        return sqlite.insert(table).values(**values).on_conflict_do_nothing()
    return postgresql.insert(table).values(**values).on_conflict_do_nothing()


def put_or_change(connection: Connection, table: Table, keys: tuple[str, ...], **values: Any) -> Insert:
    """An insert that changes the row where one with these keys is there already; it locks that row."""
    statement: Any = (sqlite if connection.dialect.name == "sqlite" else postgresql).insert(table).values(**values)
    changed = {name: statement.excluded[name] for name in values if name not in keys}
    done: Insert = statement.on_conflict_do_update(index_elements=list(keys), set_=changed)
    return done


def put(table: Table, **values: Any) -> Insert:
    """A plain insert."""
    return insert(table).values(**values)


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # the driver begins nothing by itself; _begin_sqlite does
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",  # a message that was accepted outlives a power cut
        f"busy_timeout={BUSY_MS}",
        "foreign_keys=ON",
        "secure_delete=ON",  # what is forgotten is overwritten
    ):
        connection.execute(f"PRAGMA {pragma}")


def _prepare_postgresql(connection: Any, _record: Any) -> None:
    connection.execute(f"SET lock_timeout = {BUSY_MS}")  # else a message waits as long as a lock is held
    connection.commit()


def _begin_sqlite(connection: Connection) -> None:
    mode = connection.get_execution_options().get("begin", "DEFERRED")
    connection.exec_driver_sql(f"BEGIN {mode}")


@contextmanager
def faults() -> Iterator[None]:
    """Faults that pass become StoreUnavailableError: without the statement and its values, which may be personal."""
    try:
        yield
    except PoolTimeoutError:
        raise StoreUnavailableError("store", "takes long", "it is tried again; see what holds it up") from None
    except DBAPIError as error:
        if not _may_pass(error):
            raise
        what = str(error.orig).splitlines()[0][:120] if error.orig and str(error.orig) else "can't be reached"
        raise StoreUnavailableError(
            "store", what, "it is tried again; see that it runs and its disk has room"
        ) from None


def _may_pass(error: DBAPIError) -> bool:
    """Of the database's state, not of ours: away, locked, full; a damaged file is a plain DatabaseError."""
    is_plain = type(error) is DatabaseError
    return is_plain or isinstance(error, OperationalError | InterfaceError) or error.connection_invalidated
