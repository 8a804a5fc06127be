"""The journal, as the runtime uses it."""

import asyncio
import sqlite3
import threading
from collections import defaultdict, deque
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from dustcake.adapters.store.faults import StoreRefused, refusing
from dustcake.adapters.store.journal_file import Database, transaction
from dustcake.adapters.store.outbox import CollectorOutbox
from dustcake.adapters.store.rows import sane
from dustcake.adapters.store.schema import number_of
from dustcake.adapters.store.writing import (
    PERIOD,
    SPARED,
    CollectorRecord,
    Retention,
    Timeline,
    add_events,
    load,
    prune,
)
from dustcake.ports import Commit, Queued, Stored
from dustcake.publish.render import Renderer

GATHER_S = 0.03
"""How long a commit that nobody waits for lets others come along. Collectors are polled at the same
moments, so those of one moment are there by then."""


@dataclass
class Waiting:
    """A commit on its way to the disk. ``gone``: what its outbox has delivered. Afterwards:
    ``added`` to the outbox, beside ``minutes``; or the ``error`` that kept all of it from being
    stored."""

    commit: Commit
    gone: frozenset[int]
    added: Sequence[Queued] = ()
    minutes: bool = False
    error: Exception | None = None
    is_done: bool = field(default=False, init=False)


SETTLE_S = 0.3


class SqliteStore:
    """The journal of every collector of one daemon, and their outboxes, in one file.

    Make it with ``open``. An expected failure of the disk is never an exception.
    """

    def __init__(self, database: Database, retention: Retention) -> None:
        self._database = database
        self._retention = retention
        self._until_pruning = PERIOD
        self._timeline = Timeline()
        self._outboxes: dict[str, CollectorOutbox] = {}
        self._records = defaultdict[str, CollectorRecord](CollectorRecord)
        self._waiting: deque[Waiting] = deque()
        self._hurry = threading.Event()
        self._written_to: sqlite3.Connection | None = None

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
            store = cls(database, retention or Retention())
            yield store
            # Not for ever: what is not deleted now is sent again, which is allowed.
            with suppress(TimeoutError):
                async with asyncio.timeout(SETTLE_S):
                    for outbox in store._outboxes.values():
                        await outbox.settle()

    def describe(self, renderer: Renderer) -> None:
        """Set how one collector's readings are interpreted and its events worded. Without this,
        there are no statistics of it, and its events wait for the broker as they were worded."""
        collector = renderer.setpoints.collector
        self.outbox(collector).renderer = renderer
        self._records[collector].setpoints = renderer.setpoints

    def outbox(self, collector: str) -> CollectorOutbox:
        """The outbox of ``collector``; always the same one."""
        return self._outboxes.setdefault(collector, CollectorOutbox(self._database, collector))

    async def load(self, collector: str) -> Stored | None:
        """The last committed state, or None on a first start, or where it cannot be read: then it
        is logged and kept under another name.

        Raises ``StoreRefused`` when the disk cannot be read.
        """
        return await self._database.run(lambda connection: load(connection, collector))

    async def last_seq(self, collector: str) -> int:
        """The number of the newest event of ``collector`` on record, 0 where there is none.

        Raises ``StoreRefused`` when the disk cannot be read.
        """
        newest = f"SELECT max(seq) FROM events WHERE collector = ? AND {sane('seq')}"
        return await self._database.run(lambda connection: number_of(connection, newest, collector))

    async def waiting(self) -> dict[str, int]:
        """How many publications of each collector wait for the broker; none when the disk fails."""
        count = "SELECT collector, count(*) FROM outbox GROUP BY collector"
        try:
            stored = await self._database.run(lambda connection: dict(connection.execute(count)))
        except StoreRefused:
            return {}
        return {
            name: stored.get(name, 0) - len(outbox.acknowledged())
            for name, outbox in self._outboxes.items()
        }

    async def commit(self, commit: Commit) -> str | None:
        """Store all of ``commit`` in one transaction; on the disk when this returns None, else why
        nothing of it is stored.

        What other collectors want stored at the same time goes into the same transaction: a card
        is worn by the number of transactions, and waits for each.
        """
        outbox = self.outbox(commit.collector)
        one = Waiting(commit, outbox.acknowledged())
        self._waiting.append(one)
        if commit.urgent:
            self._hurry.set()
        try:
            with refusing(self._database.path, unknown_too=False):
                await self._database.run(
                    lambda connection: self._write(connection, one),
                    otherwise=lambda: self._withdraw(one),
                )
                if one.error is not None:
                    raise one.error
        except StoreRefused as refused:
            self._forget()
            return str(refused)
        outbox.committed(one.gone, one.added, minutes=one.minutes)
        return None

    def _write(self, connection: sqlite3.Connection, one: Waiting) -> None:
        """Write ``one`` and all who wait by then, in one transaction, unless somebody has done so.
        What keeps them from being written is raised once; the others find it in their ``error``.
        The database's thread calls this, which is one."""
        if one.is_done:
            return
        if len(self._records) > 1:
            self._hurry.wait(GATHER_S)
        self._hurry.clear()
        if connection is not self._written_to:  # but another file
            self._written_to = connection
            self._forget()
        self._write_group(connection)

    def _write_group(self, connection: sqlite3.Connection) -> None:
        group = [self._waiting.popleft() for _ in range(len(self._waiting))]
        error: Exception | None = None
        try:
            with transaction(connection):
                start = self._timeline.start(connection)
                for each in group:
                    self._write_one(connection, each, start)
        except Exception as found:
            error = found
            raise
        finally:
            for each in group:
                each.error, each.is_done = error, True

    def _withdraw(self, one: Waiting) -> None:
        """Let nobody write it later: it cannot be written now."""
        if not one.is_done:
            self._waiting.remove(one)

    def _write_one(self, connection: sqlite3.Connection, one: Waiting, start: int) -> None:
        commit = one.commit
        record, outbox = self._records[commit.collector], self.outbox(commit.collector)
        utc_s = None
        if commit.inputs:
            utc_s = commit.inputs[-1].at.utc_s
            self._timeline.note(connection, commit.inputs[-1].at)
        self._until_pruning -= record.inputs_and_state(connection, commit, start)
        events = add_events(connection, commit, start)
        outbox.forget(connection, one.gone)
        minutes = record.minutes(connection, commit)
        one.added = outbox.enqueue(connection, commit, events, minutes)
        one.minutes = bool(minutes)
        if self._until_pruning <= 0:
            self._until_pruning = PERIOD
            prune(connection, utc_s, self._retention, spared=SPARED * len(self._records))

    def _forget(self) -> None:
        """Take nothing for granted that is not known to be on the disk."""
        self._timeline.forget()
        for record in self._records.values():
            record.forget()
