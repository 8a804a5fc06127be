"""The journal, as the runtime uses it."""

import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import structlog

from dustcake.adapters.store.database import Database, disk_is_to_blame
from dustcake.adapters.store.faults import StoreRefused, explain
from dustcake.adapters.store.opening import transaction
from dustcake.adapters.store.outbox import CollectorOutbox, enqueue
from dustcake.adapters.store.retention import PERIOD, Retention, prune
from dustcake.codec import (
    STATE_FORMAT,
    FormatError,
    decode_state,
    encode_body,
    encode_input,
    encode_state,
)
from dustcake.ports import Commit, CommitFailed, Stored

_log = structlog.get_logger(__name__)


class SqliteStore:
    """The journal of every collector of one daemon, and their outboxes, in one file.

    Make it with ``open``. An expected failure of the disk is never an exception.
    """

    def __init__(self, database: Database, retention: Retention) -> None:
        self._database = database
        self._retention = retention
        self._until_pruning = PERIOD
        self._outboxes: dict[str, CollectorOutbox] = {}

    @classmethod
    @asynccontextmanager
    async def open(
        cls, path: Path, retention: Retention | None = None
    ) -> AsyncIterator["SqliteStore"]:
        """Open the journal at ``path``, or start one there, and close it in the end.

        A damaged file is moved aside, beside the new one. Raises ``StoreRefused`` when another
        daemon has it, a newer version wrote it, or the directory or the disk do not serve.
        """
        async with Database.open(path) as database:
            yield cls(database, retention or Retention())

    def outbox(self, collector: str) -> CollectorOutbox:
        """The outbox of ``collector``; always the same one."""
        return self._outboxes.setdefault(collector, CollectorOutbox(self._database, collector))

    async def load(self, collector: str) -> Stored | None:
        """The last committed state, or None on a first start, or where it cannot be read: then it
        is logged and put by under another name.

        Raises ``StoreRefused`` when the disk cannot be read.
        """
        try:
            return await self._database.run(lambda connection: _load(connection, collector))
        except (sqlite3.Error, OSError) as error:
            if disk_is_to_blame(error):
                raise StoreRefused(explain(error, self._database.path)) from None
            raise

    async def commit(self, commit: Commit) -> CommitFailed | None:
        """Store all of ``commit`` in one transaction; on the disk when this returns None."""
        try:
            added = await self._database.run(lambda connection: self._commit(connection, commit))
        except (sqlite3.Error, OSError) as error:
            if disk_is_to_blame(error):
                return CommitFailed(explain(error, self._database.path))
            raise
        if added:
            self.outbox(commit.collector).notice()
        return None

    def _commit(self, connection: sqlite3.Connection, commit: Commit) -> bool:
        """Whether the outbox has grown."""
        with transaction(connection):
            utc_s = commit.inputs[-1].at.utc_s if commit.inputs else None
            _write(connection, commit, utc_s)
            added = enqueue(connection, commit.collector, commit.publications, utc_s)
            self._until_pruning -= len(commit.inputs)
            if self._until_pruning <= 0:
                self._until_pruning = PERIOD
                prune(connection, utc_s, self._retention)
        return added


def _write(connection: sqlite3.Connection, commit: Commit, utc_s: float | None) -> None:
    name = commit.collector
    connection.executemany(
        "INSERT INTO inputs (collector, utc_s, mono_s, kind, body) VALUES (?, ?, ?, ?, ?)",
        [
            (name, happened.at.utc_s, happened.at.mono_s, kind, body.decode())
            for happened in commit.inputs
            for kind, body in (encode_input(happened),)
        ],
    )
    connection.execute(
        "INSERT INTO state (collector, format, utc_s, body) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (collector) DO UPDATE SET format = excluded.format, "
        "utc_s = coalesce(excluded.utc_s, utc_s), body = excluded.body",
        (name, STATE_FORMAT, utc_s, encode_state(commit.state).decode()),
    )
    connection.executemany(
        "INSERT INTO events (collector, seq, utc_s, mono_s, name, body) VALUES (?, ?, ?, ?, ?, ?)",
        [
            (name, one.seq, one.at.utc_s, one.at.mono_s, kind, body.decode())
            for one in commit.events
            for kind, body in (encode_body(one.body),)
        ],
    )


def _load(connection: sqlite3.Connection, collector: str) -> Stored | None:
    row = connection.execute(
        "SELECT format, utc_s, body FROM state WHERE collector = ?", (collector,)
    ).fetchone()
    if row is None:
        return None
    version, utc_s, body = row
    try:
        return Stored(decode_state(body.encode(), version), utc_s)
    except FormatError as error:
        put_by = f"{collector} (not readable)"
        with transaction(connection):
            connection.execute(
                "UPDATE OR REPLACE state SET collector = ? WHERE collector = ?",
                (put_by, collector),
            )
        _log.error(
            "stored state not readable",
            collector=collector,
            cause=str(error),
            put_by=put_by,
            remedy="check counters and the zero offset: they start anew",
        )
        return None
