"""Draws up the next migration from what was changed in the schema: `python tests/store/migration.py "what it does"`.

Read it before you keep it: what holds rows may want more than a new column.
"""

from __future__ import annotations

import sys
import tempfile
from contextlib import closing
from pathlib import Path

from alembic import command

from chatkey.store import Seal, open_store
from chatkey.store.upgrade import _config, head, upgrade


def draw_up(what: str) -> None:
    """A new file in chatkey/store/migrations/versions/, numbered after the last."""
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_store(Path(folder) / "old.db", Seal(bytes(32)))) as store,
    ):
        upgrade(store)
        with store.write() as connection:
            command.revision(_config(connection), what, autogenerate=True, rev_id=f"{int(head()) + 1:04}")


if __name__ == "__main__":
    draw_up(" ".join(sys.argv[1:]))
