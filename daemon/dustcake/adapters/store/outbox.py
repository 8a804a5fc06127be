"""The outbox table: publications that wait for the broker."""

import asyncio
import sqlite3
from collections.abc import Iterable, Sequence

import structlog

from dustcake.adapters.store.database import Database, disk_is_to_blame
from dustcake.adapters.store.faults import explain
from dustcake.adapters.store.opening import transaction
from dustcake.ports import Queued
from dustcake.publish.publication import Keep, Publication

_log = structlog.get_logger(__name__)


class CollectorOutbox:
    """What one collector has to say and the broker has not acknowledged."""

    def __init__(self, database: Database, collector: str) -> None:
        self._database = database
        self._collector = collector
        self._acknowledged: set[int] = set()
        self._added = asyncio.Event()
        self._added.set()

    def notice(self) -> None:
        """Something has been added."""
        self._added.set()

    async def pending(self, most: int) -> Sequence[Queued]:
        """The oldest ``most`` publications not yet delivered; none when the disk fails."""
        self._added.clear()
        try:
            waiting = await self._database.run(lambda connection: self._waiting(connection, most))
        except (sqlite3.Error, OSError) as error:
            if not disk_is_to_blame(error):
                raise
            _log.error("outbox not readable", cause=explain(error, self._database.path))
            return []
        if waiting:
            self._added.set()
        return waiting

    def _waiting(self, connection: sqlite3.Connection, most: int) -> list[Queued]:
        # A copy: `delivered` may add to the set meanwhile, and then too few would be left.
        gone = self._acknowledged.copy()
        found = oldest(connection, self._collector, most + len(gone))
        return [one for one in found if one.ref not in gone][:most]

    async def delivered(self, refs: Sequence[int]) -> None:
        """Forget these. On a disk that cannot be written they are remembered as delivered, and
        deleted when it can be again."""
        self._acknowledged.update(refs)
        acknowledged = list(self._acknowledged)
        try:
            await self._database.run(lambda connection: forget(connection, acknowledged))
        except (sqlite3.Error, OSError) as error:
            if not disk_is_to_blame(error):
                raise
        else:
            self._acknowledged.difference_update(acknowledged)

    async def wait(self) -> None:
        """Return when something has been added since the last ``pending``, or is there now."""
        await self._added.wait()


def enqueue(
    connection: sqlite3.Connection,
    collector: str,
    publications: Iterable[Publication],
    utc_s: float | None,
) -> bool:
    """Add those worth keeping, within the caller's transaction; whether there were any.

    One of keep `latest` takes the place of an undelivered older one of its topic, at the end of
    the queue, so that it cannot overtake an event it follows from.
    """
    added = False
    for one in publications:
        if one.keep is Keep.LIVE:
            continue
        if one.keep is Keep.LATEST:
            connection.execute(
                "DELETE FROM outbox WHERE keep = 'latest' AND topic = ? AND collector = ?",
                (one.topic, collector),
            )
        connection.execute(
            "INSERT INTO outbox "
            "(collector, topic, payload, qos, retain, keep, expiry_s, queued_utc_s) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                *(collector, one.topic, one.payload, one.qos, one.retain),
                *(str(one.keep), one.expiry_s, utc_s),
            ),
        )
        added = True
    return added


def oldest(connection: sqlite3.Connection, collector: str, most: int) -> list[Queued]:
    """The oldest ``most`` of ``collector``, oldest first."""
    rows = connection.execute(
        "SELECT ref, topic, payload, qos, retain, keep, expiry_s FROM outbox "
        "WHERE collector = ? ORDER BY ref LIMIT ?",
        (collector, most),
    )
    return [
        Queued(ref, Publication(topic, payload, qos, bool(retain), Keep(keep), expiry_s))
        for ref, topic, payload, qos, retain, keep, expiry_s in rows
    ]


def forget(connection: sqlite3.Connection, refs: Sequence[int]) -> None:
    """Delete these."""
    with transaction(connection):
        connection.executemany("DELETE FROM outbox WHERE ref = ?", [(ref,) for ref in refs])
