"""The store's tables brought up to date, and whether they are."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect

from chatkey.store.engine import Store, StoreError
from chatkey.store.schema import METADATA

Condition = Literal["new", "old", "current", "ahead"]
FOLDER = Path(__file__).parent / "migrations"


def upgrade(store: Store) -> str:
    """Runs the migrations that are missing; returns the revision the store is then at. What it holds stays."""
    with store.write() as connection:
        command.upgrade(_config(connection), "head")
    return head()


def condition(store: Store) -> Condition:
    """Whether its tables are those of this chatkey. `new`: it holds nothing yet."""
    with store.read() as connection:
        revision = MigrationContext.configure(connection).get_current_revision()
        if revision is None:
            return "old" if inspect(connection).get_table_names() else "new"
    if revision == head():
        return "current"
    known = {script.revision for script in _scripts().walk_revisions()}
    return "old" if revision in known else "ahead"


def require_current(store: Store, *, make: bool = False) -> None:
    """Raises StoreError with the mend where the store is not up to date; with `make` a new one is made."""
    found = condition(store)
    if found == "new" and make:
        upgrade(store)
    elif found in ("new", "old"):
        raise StoreError("store", "is not up to date", "back it up, then run `chatkey store upgrade`")
    elif found == "ahead":
        raise StoreError("store", "was made by a newer chatkey", "install that version, or restore a backup")


def differences(store: Store) -> list[object]:
    """Where the tables of the store and of the schema differ: empty where the migrations are complete."""
    with store.read() as connection:
        found: list[object] = compare_metadata(MigrationContext.configure(connection), METADATA)
    return found


def head() -> str:
    """The newest revision."""
    return str(_scripts().get_current_head())


def _scripts() -> ScriptDirectory:
    return ScriptDirectory.from_config(_config(None))


def _config(connection: Connection | None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config
