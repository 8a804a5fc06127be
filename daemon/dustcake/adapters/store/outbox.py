"""The outbox table: what waits for the broker.

An event that can be worded again from its row in the history is not stored a second time: the
outbox only refers to it. So the outbox stays small however long the broker is away, and no event
ever needs to be dropped from it.
"""

import asyncio
import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any

import structlog

from dustcake.adapters.store.database import Database, disk_is_to_blame
from dustcake.adapters.store.faults import explain
from dustcake.adapters.store.journal_file import transaction
from dustcake.adapters.store.minutes import numbered
from dustcake.adapters.store.rows import (
    blob,
    checked,
    fields_of,
    number,
    optional,
    sane,
    text,
    utc,
    whole,
)
from dustcake.codec import FormatError, decode_body
from dustcake.core.events import Event
from dustcake.core.inputs import Stamp
from dustcake.core.reading import Quality
from dustcake.ports import Commit, Queued
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Keep, Publication, may_be_published_to

MOST_UNFORGOTTEN = 64
"""Acknowledged publications are deleted together with the next commit, to spare the memory card;
but no more than this many wait for one. After a crash they are sent again, with the same seq."""

_log = structlog.get_logger(__name__)


_ROW = (
    *(lambda value: value in ("event", "latest", "minute"), optional(whole)),
    *(lambda value: value is None or value in list(Quality), text, blob),
    *(lambda value: value in (0, 1), whole, optional(whole)),
)


class CollectorOutbox:
    """What one collector has to say and the broker has not acknowledged."""

    def __init__(self, database: Database, collector: str) -> None:
        self._database = database
        self._collector = collector
        self._renderer: Renderer | None = None
        self._last_ref: int | None = None
        self._acknowledged: set[int] = set()
        self._cache = OutboxCache()
        self._numbers_are_new = False
        self._added = asyncio.Event()
        self._added.set()

    def worded_by(self, renderer: Renderer) -> None:
        """Events are worded by ``renderer`` from now on."""
        self._renderer = renderer

    async def pending(self, most: int) -> Sequence[Queued]:
        """The oldest ``most`` publications not yet delivered; none when the disk fails."""
        self._added.clear()
        self._notice_new_numbers()
        cached = self._cache.oldest(most)
        if cached is not None:
            if cached:
                self._added.set()
            return cached
        try:
            waiting, last = await self._database.run(
                lambda connection: self._waiting(connection, most)
            )
        except (sqlite3.Error, OSError) as error:
            if not disk_is_to_blame(error):
                raise
            _log.error("outbox not readable", cause=explain(error, self._database.path))
            return []
        if waiting:
            self._added.set()
        elif not self._notice_new_numbers():
            self._cache.nothing_up_to(last)
        return waiting

    async def delivered(self, refs: Sequence[int]) -> None:
        """Forget these. On a disk that cannot be written they are remembered as delivered, and
        deleted when it can be again."""
        self._acknowledged.update(refs)
        self._cache.delivered(refs)
        if len(self._acknowledged) >= MOST_UNFORGOTTEN:
            await self.settle()

    async def settle(self) -> None:
        """Delete what has been delivered, if the disk lets it."""
        gone = self.acknowledged()
        if not gone:
            return

        def delete(connection: sqlite3.Connection) -> None:
            with transaction(connection):
                self.forget(connection, gone)

        try:
            await self._database.run(delete)
        except (sqlite3.Error, OSError) as error:
            if not disk_is_to_blame(error):
                raise
        else:
            self.forgotten(gone)

    async def wait(self) -> None:
        """Return when something has been added since the last ``pending``, or is there now."""
        await self._added.wait()

    def acknowledged(self) -> frozenset[int]:
        """What has been delivered and not yet deleted."""
        return frozenset(self._acknowledged)

    def number_anew(self) -> None:
        """The file has been replaced; what was known of the numbers in it came from a broken one.
        The database's thread calls this."""
        self._last_ref = None
        self._numbers_are_new = True

    def _notice_new_numbers(self) -> bool:
        """What is at hand is changed in the loop only, where it is used."""
        noticed, self._numbers_are_new = self._numbers_are_new, False
        if noticed:
            self._cache.distrust()
        return noticed

    def forget(self, connection: sqlite3.Connection, refs: frozenset[int]) -> None:
        """Delete these, within the caller's transaction; then say ``forgotten``."""
        # Before rows go, so that no number is ever given twice.
        self._last(connection)
        connection.executemany(
            "DELETE FROM outbox WHERE collector = ? AND ref = ?",
            [(self._collector, ref) for ref in refs],
        )

    def forgotten(self, refs: frozenset[int]) -> None:
        """They are deleted, and that is on the disk."""
        self._acknowledged -= refs

    def committed(self, gone: frozenset[int], added: Sequence[Queued | None]) -> None:
        """On the disk ``gone`` are deleted, and ``added`` are; None is for what has to be
        worded from there."""
        self._notice_new_numbers()
        self.forgotten(gone)
        if added:
            self._cache.add(added)
            self._added.set()

    def enqueue(
        self, connection: sqlite3.Connection, commit: Commit, event_rows: Sequence[int]
    ) -> list[Queued | None]:
        """Add what of ``commit`` is worth keeping, within its transaction; what that was.

        ``event_rows``: the rows of its events. A publication of keep `latest` takes the place of
        an undelivered older one of its topic, at the end of the queue, so that it cannot overtake
        an event it follows from.
        """
        rows = iter(zip(commit.events, event_rows, strict=True))
        added: list[Queued | None] = []
        for one in commit.publications:
            if one.keep is Keep.LIVE:
                continue
            source = None
            if one.keep is Keep.EVENT:
                source = self._reference(one, commit, *next(rows, (None, None)))
            else:
                connection.execute(
                    "DELETE FROM outbox WHERE keep = 'latest' AND topic = ? AND collector = ?",
                    (one.topic, self._collector),
                )
            ref = self._add(connection, one, source, commit.state.sample.quality)
            added.append(Queued(ref, one))
        return added

    def _reference(
        self, one: Publication, commit: Commit, event: Event | None, row: int | None
    ) -> int | None:
        """``row`` if wording ``event`` again gives ``one``; otherwise None."""
        if self._renderer is None or event is None:
            return None
        again = self._renderer.events([event], commit.state.sample.quality)
        return row if again == [one] else None

    def enqueue_minutes(
        self, connection: sqlite3.Connection, rows: Sequence[int]
    ) -> list[Queued | None]:
        """Add these rows of the minutes, within the caller's transaction."""
        for row in rows:
            self._insert(connection, ("minute", row, None), ("", b"", 1, False, None))
        return [None for _ in rows]

    def _add(
        self, connection: sqlite3.Connection, one: Publication, source: int | None, quality: Quality
    ) -> int:
        topic, payload = (one.topic, one.payload) if source is None else ("", b"")
        return self._insert(
            connection,
            (str(one.keep), source, None if source is None else quality.value),
            (topic, payload, one.qos, one.retain, one.expiry_s),
        )

    def _insert(
        self,
        connection: sqlite3.Connection,
        origin: tuple[str, int | None, str | None],
        values: tuple[object, ...],
    ) -> int:
        self._last_ref = self._last(connection) + 1
        connection.execute(
            "INSERT INTO outbox (collector, ref, keep, source, quality, "
            "topic, payload, qos, retain, expiry_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (self._collector, self._last_ref, *origin, *values),
        )
        return self._last_ref

    def _last(self, connection: sqlite3.Connection) -> int:
        if self._last_ref is None:
            newest = connection.execute(
                f"SELECT max(ref) FROM outbox WHERE collector = ? AND {sane('ref')}",
                (self._collector,),
            ).fetchone()[0]
            self._last_ref = newest or 0
        return self._last_ref

    def _waiting(self, connection: sqlite3.Connection, most: int) -> tuple[list[Queued], int]:
        """The oldest, and the last number that has been given."""
        # A copy: `delivered` may add to the set meanwhile, and then too few would be left.
        gone = self.acknowledged()
        waiting: list[Queued] = []
        rows = connection.execute(
            "SELECT ref, keep, source, quality, topic, payload, qos, retain, expiry_s FROM outbox "
            "WHERE collector = ? ORDER BY ref",
            (self._collector,),
        )
        for ref, *row in rows:
            if ref in gone:
                continue
            try:
                publication = self._publication(connection, row)
            except FormatError as error:
                _log.error("stored publication not readable", cause=str(error), consequence="lost")
                publication = None
            if publication is None:
                self._acknowledged.add(ref)
                continue
            waiting.append(Queued(ref, publication))
            if len(waiting) == most:
                break
        return waiting, self._last(connection)

    def _publication(
        self, connection: sqlite3.Connection, row: Sequence[Any]
    ) -> Publication | None:
        """None where there is nothing left to publish. Raises ``FormatError``."""
        keep, source, quality, topic, payload, qos, retain, expiry_s = checked("outbox", row, _ROW)
        if source is None:
            if not may_be_published_to(topic):
                raise FormatError("outbox: the topic is none")
            return Publication(topic, payload, qos, bool(retain), Keep(keep), expiry_s)
        if self._renderer is None:
            raise LookupError(f"nobody words the events of {self._collector}")
        if keep == "minute":
            return self._minute(connection, source, self._renderer)
        if quality is None:
            raise FormatError("outbox: an event without quality")
        return _event(connection, source, Quality(quality), self._renderer)

    def _minute(
        self, connection: sqlite3.Connection, row: int, renderer: Renderer
    ) -> Publication | None:
        found = numbered(connection, row)
        if found is None:
            return None
        dropped = connection.execute(
            f"SELECT minutes FROM dropped WHERE collector = ? AND {sane('minutes')}",
            (self._collector,),
        ).fetchone()
        return renderer.minute(found.number, found.minute, dropped[0] if dropped else 0, found.seq)


def _event(
    connection: sqlite3.Connection, row: int, quality: Quality, renderer: Renderer
) -> Publication | None:
    found = connection.execute(
        "SELECT seq, mono_s, utc_s, name, body FROM events WHERE n = ?", (row,)
    ).fetchone()
    if found is None:
        return None
    seq, mono_s, utc_s, name, body = checked("events", found, (whole, number, utc, text, text))
    try:
        event = Event(seq, Stamp(mono_s, utc_s), decode_body(name, body.encode()))
    except FormatError as error:
        _log.warning("event of another version", seq=seq, cause=str(error))
        return renderer.recorded_event(seq, utc_s, {"event": name, **fields_of(body)})
    try:
        (publication,) = renderer.events([event], quality)
    except ValueError as error:  # a number that JSON cannot say
        raise FormatError(f"events: {error}") from None
    return publication


CAPACITY = 64


class OutboxCache:
    """The end of an outbox, in memory: everything in it that waits, as long as ``oldest`` says so.

    Numbers of an outbox have no gap but where a commit has failed. So what is added belongs to the
    end if it follows the last number that is known here; where it does not, or is too much, the
    disk is read until nothing waits there any more.
    """

    def __init__(self) -> None:
        self._queued: dict[int, Queued] = {}
        self._known_to: int | None = None
        self._added_to = 0

    def oldest(self, most: int) -> list[Queued] | None:
        """The oldest ``most`` that wait; None where only the disk knows."""
        if self._known_to is None:
            return None
        if len(self._queued) < most and self._known_to < self._added_to:
            return None
        return list(self._queued.values())[:most]

    def nothing_up_to(self, ref: int) -> None:
        """The disk has been read: nothing waits up to this number."""
        if self._known_to is None or ref > self._known_to:
            self._known_to = ref

    def add(self, added: Sequence[Queued | None]) -> None:
        """These have been added on the disk; None for what is not known from memory."""
        for one in added:
            if one is None:
                self._added_to += 1
                continue
            self._added_to = one.ref
            if one.publication.keep is Keep.LATEST:
                self._drop_older(one.publication.topic)
            if self._known_to is not None and one.ref == self._known_to + 1:
                self._queued[one.ref] = one
                self._known_to = one.ref
        if len(self._queued) > CAPACITY:
            self.distrust()

    def _drop_older(self, topic: str) -> None:
        for ref, one in list(self._queued.items()):
            if one.publication.keep is Keep.LATEST and one.publication.topic == topic:
                del self._queued[ref]

    def delivered(self, refs: Iterable[int]) -> None:
        """These wait no longer."""
        for ref in refs:
            self._queued.pop(ref, None)

    def distrust(self) -> None:
        """Only the disk knows."""
        self._queued.clear()
        self._known_to = None
