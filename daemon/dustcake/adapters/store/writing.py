"""One collector's part of the journal: what a commit writes, and what is loaded of it; and how much
is kept, so that the journal cannot fill the disk."""

import sqlite3
import zlib
from collections.abc import Sequence
from itertools import groupby

import structlog
from pydantic import ConfigDict, TypeAdapter, ValidationError

from dustcake.adapters.store.journal_file import transaction
from dustcake.adapters.store.rows import (
    AS_STORED,
    PACKED,
    Utc,
    Whole,
    checked,
    close_minutes,
    inflated,
    insert,
    pack,
    sane,
)
from dustcake.adapters.store.schema import number_of
from dustcake.codec import STATE_FORMAT, FormatError, decode_state, encode_body, encode_state
from dustcake.core.inputs import Stamp
from dustcake.core.minutes import minute_of
from dustcake.core.reading import Sample
from dustcake.core.record import record, replace
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.ports import Commit, Stored

_log = structlog.get_logger(__name__)

# How hard a state is compressed, which is written at every pulse: three fifths of the time of the
# usual level, for one part in fifty more bytes.
_LEVEL = 4

_READINGS: TypeAdapter[tuple[Sample, Sample | None]] = TypeAdapter(
    tuple[Sample, Sample | None], config=ConfigDict(defer_build=True)
)


class CollectorRecord:
    """Writes commits of one collector; each method within the caller's transaction.

    What it remembers of the file only saves writing, and is forgotten by ``forget``.
    """

    def __init__(self) -> None:
        self.setpoints: Setpoints | None = None
        """Needed for the statistics: without them there are none."""
        self._whole: State | None = None
        self._minute: tuple[bool, int] | None = None

    def forget(self) -> None:
        """Take nothing for granted: what was written last is not known to be on the disk."""
        self._whole = None
        self._minute = None

    def inputs_and_state(self, connection: sqlite3.Connection, commit: Commit, start: int) -> int:
        """Add its inputs; how many rows that took. No row spans two minutes. Keep its state; if
        only readings have changed, they are beside the inputs."""
        readings = self._readings(commit)
        runs = [list(run) for _, run in groupby(commit.inputs, lambda one: minute_of(one.at))]
        for run in runs:
            place = _place(commit, start, run[-1].at)
            beside = readings if run is runs[-1] else None
            insert(connection, "inputs", **place, kind=PACKED, body=pack(run), readings=beside)
        if readings is None:
            utc_s = commit.inputs[-1].at.utc_s if commit.inputs else None
            body = zlib.compress(encode_state(commit.state), _LEVEL)
            connection.execute(
                "INSERT INTO state (collector, format, utc_s, body) VALUES (?, ?, ?, ?) "
                "ON CONFLICT (collector) DO UPDATE SET format = excluded.format, "
                "utc_s = coalesce(excluded.utc_s, utc_s), body = excluded.body",
                (commit.collector, STATE_FORMAT, utc_s, body),
            )
            self._whole = commit.state
        return len(runs)

    def _readings(self, commit: Commit) -> str | None:
        """The readings of its state; None where the whole state is to be stored."""
        state, whole = commit.state, self._whole
        if whole is None or not commit.inputs:
            return None
        if replace(whole, sample=state.sample, header=state.header) != state:
            return None
        return _READINGS.dump_json((state.sample, state.header)).decode()

    def minutes(self, connection: sqlite3.Connection, commit: Commit) -> Sequence[int]:
        """Add the minutes that ended with its inputs; their rows."""
        if self.setpoints is None or not commit.inputs:
            return ()
        minute = minute_of(commit.inputs[-1].at)
        if minute == self._minute and not commit.state.stopping:
            return ()
        self._minute = minute
        return close_minutes(connection, commit.collector, self.setpoints, commit.state)


def add_events(connection: sqlite3.Connection, commit: Commit, start: int) -> list[int]:
    """Add the events of ``commit``; their rows."""
    rows: list[int] = []
    for one in commit.events:
        name, body = encode_body(one.body)
        place = _place(commit, start, one.at)
        row = insert(connection, "events", **place, seq=one.seq, name=name, body=body.decode())
        rows.append(row)
    return rows


def _place(commit: Commit, start: int, at: Stamp) -> dict[str, object]:
    return {"collector": commit.collector, "start": start, "utc_s": at.utc_s, "mono_s": at.mono_s}


_STATE = TypeAdapter(tuple[Whole, Utc, bytes | str, Utc, str | None], config=AS_STORED)


def read_state(connection: sqlite3.Connection, collector: str) -> Stored | None:
    """The last committed state; None where there is none. Raises ``FormatError``."""
    row = connection.execute(
        "SELECT format, state.utc_s, body, newest.utc_s, readings FROM state LEFT JOIN ("
        "SELECT utc_s, readings FROM inputs WHERE collector = :collector ORDER BY n DESC LIMIT 1"
        ") AS newest WHERE collector = :collector",
        {"collector": collector},
    ).fetchone()
    if row is None:
        return None
    version, utc_s, body, read_utc_s, readings = checked("state", _STATE, row)
    # Version 1 stored it plain.
    plain = body.encode() if isinstance(body, str) else inflated("state", body)
    state = decode_state(plain, version)
    if readings is not None:
        try:
            sample, header = _READINGS.validate_json(readings)
        except ValidationError as error:
            raise FormatError(f"stored readings: {error.error_count()} errors") from None
        state = replace(state, sample=sample, header=header)
        utc_s = utc_s if read_utc_s is None else read_utc_s
    return Stored(state, utc_s)


def load(connection: sqlite3.Connection, collector: str) -> Stored | None:
    """The last committed state; one that cannot be read is logged and kept under another name."""
    try:
        return read_state(connection, collector)
    except FormatError as error:
        quarantined_as = f"{collector} (not readable)"
        with transaction(connection):
            connection.execute(
                "UPDATE OR REPLACE state SET collector = ? WHERE collector = ?",
                (quarantined_as, collector),
            )
        _log.error(
            "stored state not readable",
            collector=collector,
            cause=str(error),
            quarantined_as=quarantined_as,
            remedy="check counters and the zero offset: they start anew",
        )
        return None


STEP_S = 2.0
"""A clock that has moved by more than this against the monotonic one gets an entry."""


class Timeline:
    """Numbers this start of the daemon, and notes how UTC runs against the monotonic clock.

    With the start and the monotonic time of a record, its order is certain whatever the clock
    said; and its time of day can be found later, once the clock is set.
    """

    def __init__(self) -> None:
        self._start: int | None = None
        self._is_noted = False
        self._offset_s: float | None = None

    def start(self, connection: sqlite3.Connection) -> int:
        """Which start of the daemon this is, counted from 1."""
        if self._start is None:
            last = (
                "SELECT max(start) FROM (SELECT start FROM clock "
                "UNION ALL SELECT * FROM (SELECT start FROM events ORDER BY n DESC LIMIT 1) "
                "UNION ALL SELECT * FROM (SELECT start FROM inputs ORDER BY n DESC LIMIT 1)) "
                f"WHERE {sane('start')}"
            )
            self._start = number_of(connection, last) + 1
        return self._start

    def note(self, connection: sqlite3.Connection, at: Stamp) -> None:
        """Enter the clock's offset at ``at`` if it has changed, in the caller's transaction."""
        offset_s = None if at.utc_s is None else at.utc_s - at.mono_s
        before_s = self._offset_s
        if self._is_noted and not _moved(before_s, offset_s):
            return
        start = self.start(connection)
        insert(connection, "clock", start=start, mono_s=at.mono_s, utc_offset_s=offset_s)
        _log_change(before_s, offset_s)
        self._is_noted, self._offset_s = True, offset_s

    def forget(self) -> None:
        """Enter the offset again: it is not on the disk."""
        self._is_noted, self._offset_s = False, None


def _log_change(before_s: float | None, now_s: float | None) -> None:
    if now_s is None:
        _log.warning(
            "clock not set",
            consequence="records carry no time of day until it is; order is kept",
        )
    elif before_s is not None:
        _log.warning(
            "clock stepped",
            by_s=round(now_s - before_s, 3),
            consequence="control is not affected; records keep the monotonic time beside it",
        )


def _moved(before_s: float | None, now_s: float | None) -> bool:
    if before_s is None or now_s is None:
        return before_s is not now_s
    return abs(now_s - before_s) > STEP_S


BATCH = 256  # rows deleted at once, so that no commit waits long
PERIOD = 64  # rows of inputs between two prunings; below BATCH, or the file would grow all the same
SPARED = 512  # newest rows of inputs of a collector, kept: the minute under way is made from them
MOST_MINUTES_QUEUED = 43_200  # thirty days: for a broker away longer the oldest are dropped

_DAY_S = 86_400.0
_BYTES_USED = (
    "SELECT page_size * (page_count - freelist_count) "
    "FROM pragma_page_size, pragma_page_count, pragma_freelist_count"
)


@record
class Retention:
    """Raw inputs older than ``raw_days`` and minutes older than ``minutes_days`` are deleted; and
    while the file holds more than ``max_bytes``, the oldest raw inputs, then the oldest minutes,
    whatever their age. Events are kept. ``most_minutes_queued``: for each collector, of minutes
    waiting for the broker; beyond it the oldest are not delivered."""

    raw_days: float = 28.0
    minutes_days: float = 366.0
    max_bytes: int = 1_024_000_000
    most_minutes_queued: int = MOST_MINUTES_QUEUED


def prune(
    connection: sqlite3.Connection, now_utc_s: float | None, limits: Retention, spared: int = SPARED
) -> None:
    """Delete one batch of what is too old or too much, within the caller's transaction; but never
    the newest ``spared`` rows of inputs for their size.

    So little at a time that a clock set wrong for an hour costs a few hours of the oldest raw
    inputs, not all of them.
    """
    raw = minutes = 0
    if now_utc_s is not None:
        raw = _too_old(connection, "inputs", now_utc_s - limits.raw_days * _DAY_S)
        minutes = _too_old(connection, "minutes", now_utc_s - limits.minutes_days * _DAY_S)
    if number_of(connection, _BYTES_USED) > limits.max_bytes:
        raw = max(raw, number_of(connection, "SELECT max(n) FROM inputs") - spared)
        if not number_of(connection, "SELECT EXISTS (SELECT 1 FROM inputs WHERE n <= ?)", raw):
            minutes = number_of(connection, "SELECT max(n) FROM minutes")
            if not minutes:
                _log.warning(
                    "journal larger than allowed",
                    cause="only events are left, and they are kept",
                    remedy="raise journal.max_size_mb, or archive the file and start a new one",
                )
    _delete(connection, "inputs", raw)
    gone = _delete(connection, "minutes", minutes)
    if gone:
        connection.execute("DELETE FROM hours WHERE last_n <= ?", (gone,))
        _drop_minutes(connection, "source <= ?", (gone,))
    for collector, too_many in connection.execute(
        "SELECT collector, count(*) - :most AS too_many FROM outbox WHERE keep = 'minute' "
        "GROUP BY collector HAVING too_many > 0",
        {"most": limits.most_minutes_queued},
    ).fetchall():
        _drop_minutes(
            connection,
            "collector = ? AND ref IN (SELECT ref FROM outbox WHERE collector = ? AND "
            "keep = 'minute' ORDER BY ref LIMIT ?)",
            (collector, collector, too_many),
        )


def _too_old(connection: sqlite3.Connection, table: str, before_utc_s: float) -> int:
    """The last row to go, 0 for none. Rows are in the order they happened, so whatever lies
    before an old row is old, also where the clock was not yet set."""
    oldest = f"SELECT n, utc_s FROM {table} ORDER BY n LIMIT ?"
    return number_of(
        connection, f"SELECT max(n) FROM ({oldest}) WHERE utc_s < ?", BATCH, before_utc_s
    )


def _delete(connection: sqlite3.Connection, table: str, last: int) -> int:
    """Delete the oldest batch up to row ``last``; the last row deleted, 0 for none."""
    oldest = f"SELECT n FROM {table} WHERE n <= ? ORDER BY n LIMIT ?"
    end = number_of(connection, f"SELECT max(n) FROM ({oldest})", last, BATCH)
    connection.execute(f"DELETE FROM {table} WHERE n <= ?", (end,))
    return end


def _drop_minutes(connection: sqlite3.Connection, which: str, values: tuple[object, ...]) -> None:
    """Take minutes out of the outbox and count them, so that the subscriber learns of it."""
    gone = f"FROM outbox WHERE keep = 'minute' AND {which}"
    connection.execute(
        f"INSERT INTO dropped (collector, minutes) SELECT collector, count(*) {gone} "
        "GROUP BY collector ON CONFLICT (collector) DO UPDATE SET "
        "minutes = minutes + excluded.minutes",
        values,
    )
    if connection.execute(f"DELETE {gone}", values).rowcount:
        _log.warning(
            "minutes will not reach the broker",
            cause="too many are waiting for it",
            remedy="bring the broker back; events wait as long as it takes",
        )
