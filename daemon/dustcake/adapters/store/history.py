"""The journal for whoever reads it: events, inputs, and a trend, which is dP over a length of time
in as many parts as a screen shows."""

import json
import sqlite3
from collections.abc import Collection, Iterator
from importlib import resources
from math import ceil
from pathlib import Path
from typing import Any, Self

from dustcake.adapters.store.faults import refusing
from dustcake.adapters.store.journal_file import open_for_reading
from dustcake.adapters.store.rows import EVENT, RecordedEvent, recorded_event, unpack
from dustcake.adapters.store.writing import read_state
from dustcake.codec import FormatError
from dustcake.core.inputs import Input
from dustcake.core.minutes import Spread
from dustcake.ports import Stored, Trend

HOUR_S = 3600.0
_DAY_S = 24 * HOUR_S
FROM_HOURS_S = 8 * _DAY_S  # a longer trend is made of hours, which are sixty times fewer
_WIDTHS_S = (
    *(60.0 * minutes for minutes in (1, 2, 5, 10, 15, 30)),
    *(HOUR_S * hours for hours in (1, 2, 3, 4, 6, 12, 24)),
)


def _width_s(least_s: float) -> float:
    """A width that goes into a day, or whole days: others would beat with the shifts of a plant."""
    whole_days_s = _DAY_S * ceil(least_s / _DAY_S)
    return next((width_s for width_s in _WIDTHS_S if width_s >= least_s), whole_days_s)


_EVENTS = f"""
    SELECT n, {EVENT} FROM events AS e
    WHERE (:collector IS NULL OR collector = :collector)
        AND (:names IS NULL OR name IN (SELECT value FROM json_each(:names)))
"""


class History:
    """A journal opened for reading; a context manager.

    Raises ``StoreRefused`` when the file does not exist or cannot be read, also while it is read.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection = open_for_reading(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        self._connection.close()
        if isinstance(error, sqlite3.Error | UnicodeDecodeError):
            with refusing(self._path):
                raise error

    def all_events(
        self,
        collector: str | None,
        since_utc_s: float | None,
        names: Collection[str] | None,
        until_utc_s: float | None = None,
    ) -> Iterator[RecordedEvent]:
        """Every event in the order of the journal; where given only of ``collector``, of these
        ``names``, between those times (as recorded, or as found out later)."""
        return self._events(
            "WHERE (:since IS NULL OR coalesce(utc_s, found_utc_s) >= :since) "
            "AND (:until IS NULL OR coalesce(utc_s, found_utc_s) <= :until) ORDER BY n",
            collector,
            names,
            since=since_utc_s,
            until=until_utc_s,
        )

    def newest(
        self, collector: str, names: Collection[str] | None, most: int, within: int
    ) -> list[RecordedEvent]:
        """The newest ``most`` events of these ``names``, newest first, among the newest ``within``
        of all: so that few of them in a long record take no longer to find."""
        return list(
            self._events(
                "WHERE n > (SELECT max(n) FROM events) - :within ORDER BY n DESC LIMIT :most",
                collector,
                names,
                most=most,
                within=within,
            )
        )

    def _events(
        self, which: str, collector: str | None, names: Collection[str] | None, **values: object
    ) -> Iterator[RecordedEvent]:
        values["collector"] = collector
        values["names"] = None if names is None else json.dumps([*names])
        return map(_event, self._connection.execute(f"SELECT * FROM ({_EVENTS}) {which}", values))

    def span(self, collector: str | None) -> tuple[float | None, float | None]:
        """UTC seconds of the first and the last event with a time of day; None where there is
        none."""
        first, last = self._connection.execute(
            "SELECT min(utc_s), max(utc_s) FROM events "
            "WHERE :collector IS NULL OR collector = :collector",
            {"collector": collector},
        ).fetchone()
        return first, last

    def trend(self, collector: str, until_utc_s: float, length_s: float, most: int) -> Trend:
        """The trend of the ``length_s`` before ``until_utc_s``, in at most ``most`` parts."""
        grain, grain_s = ("minutes", 60.0) if length_s <= FROM_HOURS_S else ("hours", HOUR_S)
        # Parts begin at whole multiples of their width, so that a trend does not shimmer as time
        # goes on; the one under way is among them.
        width_s = _width_s(max(grain_s, length_s / (most - 1)))
        until_s = ceil(until_utc_s / width_s) * width_s
        since_s = until_s - width_s * ceil(length_s / width_s)
        query = resources.files("dustcake.adapters.store") / f"trend_of_{grain}.sql"
        rows = self._connection.execute(
            query.read_text(encoding="utf-8"),
            {
                "collector": collector,
                "since": since_s,
                "until": until_s,
                "width": width_s,
                "first_hour": int(since_s // HOUR_S),
            },
        )
        parts = [
            (since_s + part * width_s, Spread(min_pa, sum_pa / weight, max_pa))
            for part, min_pa, sum_pa, weight, max_pa in rows
        ]
        return Trend(since_s, until_s, width_s, parts)

    def state(self, collector: str) -> Stored | None:
        """The last committed state. Raises ``dustcake.codec.FormatError``."""
        return read_state(self._connection, collector)

    def inputs(self, collector: str) -> Iterator[tuple[int, Input]]:
        """Every raw input kept, in the order they were stepped, each with the start of the daemon
        it belongs to. Raises ``dustcake.codec.FormatError``."""
        rows = self._connection.execute(
            "SELECT start, kind, body FROM inputs WHERE collector = ? ORDER BY n", (collector,)
        )
        for start, kind, body in rows:
            for happened in unpack(kind, body):
                yield start, happened

    def utc_offsets(self) -> dict[int, float]:
        """For each start whose clock was set at last: UTC less the monotonic clock, s, as it was
        when first known."""
        rows = self._connection.execute(
            "SELECT start, utc_offset_s FROM clock WHERE utc_offset_s IS NOT NULL ORDER BY n DESC"
        )
        return dict(rows.fetchall())


def _event(row: tuple[Any, ...]) -> RecordedEvent:
    """The event in ``row``; a damaged one keeps its place, so that it is seen to be missing."""
    n, *event = row
    try:
        return recorded_event(tuple(event))
    except FormatError:
        return RecordedEvent("?", 0, 0, None, 0.0, "not_readable", {"row": n})
