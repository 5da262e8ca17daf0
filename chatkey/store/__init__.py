"""What must not be lost: messages, conversations, replies, records. One schema for SQLite and PostgreSQL.

Every time is passed in, in seconds since 1970 (UTC). A function that changes something owns one transaction.
"""

from chatkey.store.engine import Store, StoreError, open_store
from chatkey.store.seal import Seal

__all__ = ["Seal", "Store", "StoreError", "open_store"]
