"""What Alembic runs: the migrations on the connection it is given by chatkey/store/upgrade.py."""

from __future__ import annotations

from alembic import context

from chatkey.store.schema import METADATA

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=METADATA, render_as_batch=True, compare_type=True)
with context.begin_transaction():
    context.run_migrations()
