"""How records are placed in time when the clock is not set, or is stepped."""

import sqlite3

import structlog

from dustcake.adapters.store.rows import sane, whole
from dustcake.core.stamp import Stamp

STEP_S = 2.0
"""A clock that has moved by more than this against the monotonic one gets an entry."""

_log = structlog.get_logger(__name__)


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
        """Enter how the clock stands at ``at`` if that is news, in the caller's transaction."""
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
