"""The outbox table: what waits for the broker.

An event that can be worded again from its row in the history is not stored a second time: the
outbox only refers to it. So the outbox stays small however long the broker is away, and no event
ever needs to be dropped from it.
"""

import asyncio
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from typing import Annotated, Any, Literal

import structlog
from pydantic import Field, TypeAdapter

from dustcake.adapters.store.faults import StoreRefused
from dustcake.adapters.store.journal_file import Database, transaction
from dustcake.adapters.store.rows import (
    AS_STORED,
    EVENT,
    Whole,
    checked,
    insert,
    minute_in,
    recorded_event,
    sane,
)
from dustcake.adapters.store.schema import number_of
from dustcake.codec import FormatError
from dustcake.core.events import Event
from dustcake.core.reading import Quality
from dustcake.ports import Commit, Queued
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Keep, Publication, may_be_published_to

MOST_UNFORGOTTEN = 64
"""Acknowledged publications are deleted together with the next commit, to spare the memory card;
but no more than this many wait for one. After a crash they are sent again, with the same seq."""

CAPACITY = 64
"""How many waiting publications are handed on from memory; where there are more, from the disk."""

_log = structlog.get_logger(__name__)

_ROW = TypeAdapter(
    tuple[
        Literal["event", "latest", "minute"],
        Whole | None,
        Annotated[Quality | None, Field(strict=False)],
        str,
        bytes,
        Literal[0, 1],
        Whole,
        Whole | None,
    ],
    config=AS_STORED,
)

_WORDED_LATER = {"topic": "", "payload": b""}


class CollectorOutbox:
    """What one collector has to say and the broker has not acknowledged."""

    def __init__(self, database: Database, collector: str) -> None:
        self._database = database
        self._collector = collector
        self.renderer: Renderer | None = None
        """Words the events; without it they wait as they were worded."""
        self._last_ref = 0
        self._acknowledged: set[int] = set()
        # All of it, by number or, where the newest replaces it, by topic; None where only the disk
        # knows.
        self._waiting: dict[int | str, Queued] | None = None
        self._added = asyncio.Event()
        self._added.set()

    async def pending(self, most: int) -> Sequence[Queued]:
        """The oldest ``most`` publications not yet delivered; none when the disk fails."""
        self._added.clear()
        if self._waiting is None:
            try:
                found = await self._database.run(lambda connection: self._read(connection, most))
            except StoreRefused as refused:
                _log.error("outbox not readable", cause=str(refused))
                return []
            if len(found) <= most:
                self._waiting = {}
                for one in found:
                    self._add_waiting(one)
        else:
            found = list(self._waiting.values())
        if found:
            self._added.set()
        return found[:most]

    async def delivered(self, refs: Sequence[int]) -> None:
        """Forget these. On a disk that cannot be written they are remembered as delivered, and
        deleted when it can be again."""
        self._acknowledged.update(refs)
        if self._waiting is not None:
            left = self._waiting.items()
            self._waiting = {key: one for key, one in left if one.ref not in refs}
        if len(self._acknowledged) >= MOST_UNFORGOTTEN:
            await self.settle()

    async def settle(self) -> None:
        """Delete what has been delivered, if the disk lets it."""
        gone = self.acknowledged()

        def delete(connection: sqlite3.Connection) -> None:
            with transaction(connection):
                self.forget(connection, gone)

        if gone:
            with suppress(StoreRefused):
                await self._database.run(delete)
                self._acknowledged -= gone

    async def wait(self) -> None:
        """Return when something has been added since the last ``pending``, or is there now."""
        await self._added.wait()

    def acknowledged(self) -> frozenset[int]:
        """The publications that have been delivered and are not yet deleted."""
        return frozenset(self._acknowledged)

    def committed(self, gone: frozenset[int], added: Sequence[Queued], *, minutes: bool) -> None:
        """Take note that on the disk ``gone`` are deleted and ``added`` stored, and ``minutes``,
        which have to be worded from there."""
        self._acknowledged -= gone
        if minutes:
            self._waiting = None
        for one in added:
            self._add_waiting(one)
        if added or minutes:
            self._added.set()

    def _add_waiting(self, added: Queued) -> None:
        if self._waiting is None or added.ref in self._acknowledged:
            return
        is_latest = added.publication.keep is Keep.LATEST
        key = added.publication.topic if is_latest else added.ref
        self._waiting.pop(key, None)  # the newest goes to the end
        self._waiting[key] = added
        if len(self._waiting) > CAPACITY:
            self._waiting = None

    def forget(self, connection: sqlite3.Connection, refs: frozenset[int]) -> None:
        """Delete these, within the caller's transaction, and before it adds any."""
        # Before rows go, so that no number is ever given twice.
        newest = f"SELECT max(ref) FROM outbox WHERE collector = ? AND {sane('ref')}"
        self._last_ref = max(self._last_ref, number_of(connection, newest, self._collector))
        connection.executemany(
            "DELETE FROM outbox WHERE collector = ? AND ref = ?",
            [(self._collector, ref) for ref in refs],
        )

    def enqueue(
        self,
        connection: sqlite3.Connection,
        commit: Commit,
        event_rows: Sequence[int],
        minute_rows: Sequence[int],
    ) -> list[Queued]:
        """Add what of ``commit`` is worth keeping, within its transaction; what that was, without
        the minutes.

        ``event_rows``, ``minute_rows``: where its events and minutes are. A publication of keep
        `latest` takes the place of an undelivered older one of its topic, at the end of the queue,
        so that it cannot overtake an event it follows from.
        """
        rows = iter(zip(commit.events, event_rows, strict=True))
        added: list[Queued] = []
        for one in commit.publications:
            if one.keep is Keep.LIVE:
                continue
            event = next(rows, None) if one.keep is Keep.EVENT else None
            what = self._content(one, commit.state.sample.quality, event)
            how = {"qos": one.qos, "retain": one.retain, "expiry_s": one.expiry_s}
            added.append(Queued(self._insert(connection, keep=str(one.keep), **what, **how), one))
        for row in minute_rows:
            self._insert(
                connection, keep="minute", **_WORDED_LATER, source=row, qos=1, retain=False
            )
        return added

    def _content(
        self, one: Publication, quality: Quality, event: tuple[Event, int] | None
    ) -> dict[str, object]:
        """The columns that say ``one``; by the row of ``event`` if wording that again gives it."""
        again = self.renderer.events([event[0]], quality) if self.renderer and event else None
        if event and again == [one]:
            return {**_WORDED_LATER, "source": event[1], "quality": quality.value}
        return {"topic": one.topic, "payload": one.payload}

    def _insert(self, connection: sqlite3.Connection, **values: object) -> int:
        # An older one that the newest of its topic replaces is found by a unique index.
        self._last_ref += 1
        place = {"collector": self._collector, "ref": self._last_ref}
        insert(connection, "outbox", "INSERT OR REPLACE", **place, **values)
        return self._last_ref

    def _read(self, connection: sqlite3.Connection, most: int) -> list[Queued]:
        """The oldest ``most`` that wait, and one more where there is one."""
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
                publication = self._publication(connection, tuple(row))
            except FormatError as error:
                _log.error("stored publication not readable", cause=str(error), consequence="lost")
                publication = None
            if publication is None:
                self._acknowledged.add(ref)
                continue
            waiting.append(Queued(ref, publication))
            if len(waiting) > most:
                break
        return waiting

    def _publication(
        self, connection: sqlite3.Connection, row: tuple[Any, ...]
    ) -> Publication | None:
        """What ``row`` says; None where nothing is left to publish. Raises ``FormatError``."""
        keep, source, quality, topic, payload, qos, retain, expiry_s = checked("outbox", _ROW, row)
        if source is None:
            if not may_be_published_to(topic):
                raise FormatError("outbox: the topic is none")
            return Publication(topic, payload, qos, bool(retain), Keep(keep), expiry_s)
        if self.renderer is None:
            raise LookupError(f"nobody words the events of {self._collector}")
        if keep == "minute":
            return self._minute(connection, source, self.renderer)
        if quality is None:
            raise FormatError("outbox: an event without quality")
        return _event(connection, source, quality, self.renderer)

    def _minute(
        self, connection: sqlite3.Connection, row: int, renderer: Renderer
    ) -> Publication | None:
        found = minute_in(connection, row)
        if found is None:
            return None
        number, seq, minute = found
        dropped = f"SELECT max(minutes) FROM dropped WHERE collector = ? AND {sane('minutes')}"
        return renderer.minute(number, minute, number_of(connection, dropped, self._collector), seq)


def _event(
    connection: sqlite3.Connection, row: int, quality: Quality, renderer: Renderer
) -> Publication | None:
    found = connection.execute(f"SELECT {EVENT} FROM events AS e WHERE n = ?", (row,)).fetchone()
    if found is None:
        return None
    recorded = recorded_event(found)
    event = recorded.event()
    if event is None:
        _log.warning("event of another version", seq=recorded.seq, name=recorded.name)
        fields = {"event": recorded.name, **recorded.fields}
        return renderer.recorded_event(recorded.seq, recorded.utc_s, fields)
    try:
        (publication,) = renderer.events([event], quality)
    except ValueError as error:  # a number that JSON cannot say
        raise FormatError(f"events: {error}") from None
    return publication
