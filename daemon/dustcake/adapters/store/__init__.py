"""The daemon's memory on disk: journal, outbox and history in one SQLite file."""

from dustcake.adapters.store.faults import StoreRefused
from dustcake.adapters.store.history import History
from dustcake.adapters.store.journal_file import copy_journal, put_journal_back
from dustcake.adapters.store.rows import RecordedEvent
from dustcake.adapters.store.store import SqliteStore
from dustcake.adapters.store.writing import Retention

__all__ = [
    "History",
    "RecordedEvent",
    "Retention",
    "SqliteStore",
    "StoreRefused",
    "copy_journal",
    "put_journal_back",
]
