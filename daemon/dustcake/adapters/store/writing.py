"""One collector's part of the journal: what a commit writes, and what is loaded of it."""

import sqlite3
import zlib
from collections.abc import Sequence
from itertools import groupby

import structlog

from dustcake.adapters.store.journal_file import transaction
from dustcake.adapters.store.minutes import close_minutes
from dustcake.adapters.store.rows import (
    PACKED,
    checked,
    encode_readings,
    optional,
    pack,
    packed,
    sane,
    text,
    utc,
    whole,
    with_readings,
)
from dustcake.codec import STATE_FORMAT, FormatError, decode_state, encode_body, encode_state
from dustcake.core.inputs import Stamp
from dustcake.core.minutes import minute_of
from dustcake.core.record import replace
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.ports import Commit, Stored

_log = structlog.get_logger(__name__)

# Of compression of a state, written at every pulse: three fifths of the time of the usual level,
# for one part in fifty more bytes.
_LEVEL = 4


class CollectorRecord:
    """Writes commits of one collector; each method within the caller's transaction.

    What it remembers of the file only saves writing, and is forgotten by ``forget``.
    """

    def __init__(self, collector: str) -> None:
        self._collector = collector
        self.setpoints: Setpoints | None = None
        """Needed for the statistics: without them there are none."""
        self._whole: State | None = None
        self._minute: tuple[bool, int] | None = None

    def forget(self) -> None:
        """What was written last is not on the disk, or not known to be."""
        self._whole = None
        self._minute = None

    def inputs(self, connection: sqlite3.Connection, commit: Commit, start: int) -> int:
        """Add its inputs; how many rows that took. No row spans two minutes."""
        readings = self._readings(commit)
        runs = [list(run) for _, run in groupby(commit.inputs, lambda one: minute_of(one.at))]
        for at, run in enumerate(runs):
            last = run[-1].at
            connection.execute(
                "INSERT INTO inputs (collector, start, utc_s, mono_s, kind, body, readings) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    *(self._collector, start, last.utc_s, last.mono_s, PACKED, pack(run)),
                    readings if at == len(runs) - 1 else None,
                ),
            )
        return len(runs)

    def state(self, connection: sqlite3.Connection, commit: Commit) -> None:
        """Keep its state; if only readings have changed, they are beside the inputs already."""
        if self._readings(commit) is not None:
            return
        connection.execute(
            "INSERT INTO state (collector, format, utc_s, body) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (collector) DO UPDATE SET format = excluded.format, "
            "utc_s = coalesce(excluded.utc_s, utc_s), body = excluded.body",
            (
                *(self._collector, STATE_FORMAT),
                commit.inputs[-1].at.utc_s if commit.inputs else None,
                zlib.compress(encode_state(commit.state), _LEVEL),
            ),
        )
        self._whole = commit.state

    def _readings(self, commit: Commit) -> str | None:
        """The readings of its state; None where the whole state is to be stored."""
        state, whole = commit.state, self._whole
        if whole is None or not commit.inputs:
            return None
        if replace(whole, sample=state.sample, header=state.header) != state:
            return None
        return encode_readings(state)

    def events(self, connection: sqlite3.Connection, commit: Commit, start: int) -> list[int]:
        """Add its events; their rows."""
        rows: list[int] = []
        for one in commit.events:
            name, body = encode_body(one.body)
            added = connection.execute(
                "INSERT INTO events (collector, seq, start, utc_s, mono_s, name, body) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    *(self._collector, one.seq, start),
                    *(one.at.utc_s, one.at.mono_s, name, body.decode()),
                ),
            ).lastrowid
            assert added is not None
            rows.append(added)
        return rows

    def minutes(self, connection: sqlite3.Connection, commit: Commit) -> Sequence[int]:
        """Add the minutes that ended with its inputs; their rows."""
        if self.setpoints is None or not commit.inputs:
            return ()
        minute = minute_of(commit.inputs[-1].at)
        if minute == self._minute and not commit.state.stopping:
            return ()
        self._minute = minute
        return close_minutes(
            connection,
            self._collector,
            self.setpoints,
            commit.state,
            all_of_them=commit.state.stopping,
        )


def read_state(connection: sqlite3.Connection, collector: str) -> Stored | None:
    """The last committed state; None where there is none. Raises ``FormatError``."""
    row = connection.execute(
        "SELECT format, utc_s, body FROM state WHERE collector = ?", (collector,)
    ).fetchone()
    if row is None:
        return None
    version, utc_s, body = checked("state", row, (whole, utc, packed))
    state = decode_state(_state_text(body), version)
    newest = connection.execute(
        "SELECT utc_s, readings FROM inputs WHERE collector = ? ORDER BY n DESC LIMIT 1",
        (collector,),
    ).fetchone()
    if newest is not None:
        read_utc_s, readings = checked("inputs", newest, (utc, optional(text)))
        if readings is not None:
            state = with_readings(state, readings)
            utc_s = utc_s if read_utc_s is None else read_utc_s
    return Stored(state, utc_s)


def last_seq(connection: sqlite3.Connection, collector: str) -> int:
    """The number of the newest event of ``collector`` on record, 0 where there is none."""
    newest = connection.execute(
        f"SELECT max(seq) FROM events WHERE collector = ? AND {sane('seq')}", (collector,)
    ).fetchone()[0]
    return newest or 0


def load(connection: sqlite3.Connection, collector: str) -> Stored | None:
    """The same, but one that cannot be read is logged and kept under another name."""
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


def _state_text(body: bytes | str) -> bytes:
    """A stored state as JSON; version 1 stored it plain. Raises ``FormatError``."""
    if isinstance(body, str):
        return body.encode()
    try:
        return zlib.decompress(body)
    except zlib.error as error:
        raise FormatError(f"state: {error}") from None


STEP_S = 2.0
"""A clock that has moved by more than this against the monotonic one gets an entry."""


class Timeline:
    """Numbers this start of the daemon, and notes how UTC runs against the monotonic clock.

    With the start and the monotonic time of a record, its order is certain whatever the clock
    said; and its time of day can be found later, once the clock is set.
    """

    def __init__(self) -> None:
        self._start: int | None = None
        self._noted: float | None = None
        self._anything_noted = False

    def start(self, connection: sqlite3.Connection) -> int:
        """Which start of the daemon this is, counted from 1."""
        if self._start is None:
            found = connection.execute(
                f"SELECT max(start) FROM clock WHERE {sane('start')} "
                "UNION ALL SELECT * FROM (SELECT start FROM events ORDER BY n DESC LIMIT 1) "
                "UNION ALL SELECT * FROM (SELECT start FROM inputs ORDER BY n DESC LIMIT 1)"
            ).fetchall()
            self._start = max((start for (start,) in found if whole(start)), default=0) + 1
        return self._start

    def note(self, connection: sqlite3.Connection, at: Stamp) -> None:
        """Enter the clock's offset at ``at`` if it has changed, in the caller's transaction."""
        offset_s = None if at.utc_s is None else at.utc_s - at.mono_s
        if self._anything_noted and not _moved(self._noted, offset_s):
            return
        connection.execute(
            "INSERT INTO clock (start, mono_s, utc_offset_s) VALUES (?, ?, ?)",
            (self.start(connection), at.mono_s, offset_s),
        )
        if self._noted is not None and offset_s is not None:
            _log.warning(
                "clock stepped",
                by_s=round(offset_s - self._noted, 3),
                consequence="control is not affected; records keep the monotonic time beside it",
            )
        elif offset_s is None:
            _log.warning(
                "clock not set",
                consequence="records carry no time of day until it is; order is kept",
            )
        self._noted, self._anything_noted = offset_s, True

    def forget(self) -> None:
        """What was entered is not on the disk: enter it again."""
        self._anything_noted = False


def _moved(before_s: float | None, now_s: float | None) -> bool:
    if before_s is None or now_s is None:
        return before_s is not now_s
    return abs(now_s - before_s) > STEP_S
