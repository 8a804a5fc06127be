"""One-minute statistics, folded from the inputs that are already committed.

Nothing is counted in memory, so nothing is lost by a crash: whatever inputs no minute accounts for
yet are folded when the next one closes.
"""

import sqlite3
from itertools import groupby
from typing import Any

import structlog

from dustcake.adapters.store.rows import (
    PACKED,
    blob,
    checked,
    number,
    optional,
    sane,
    text,
    unpack,
    utc,
    whole,
)
from dustcake.codec import FormatError
from dustcake.core.inputs import Input, Stamp
from dustcake.core.minutes import Minute, Spread, minute_of, summarised
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State

COLUMNS = (
    "number, seq, start, utc_s, mono_s, covered_s, polls, good, dp_min_pa, dp_mean_pa, dp_max_pa, "
    "header_min_pa, header_mean_pa, header_max_pa, blower_s"
)


_KINDS = (
    *(whole, whole, whole, utc, number, number, whole, whole),
    *[optional(number)] * 6,
    number,
)
_INPUTS = (whole, number, utc, text, blob)

_log = structlog.get_logger(__name__)


@record
class NumberedMinute:
    """``number`` counts the minutes of a collector from 1 without a gap, through every restart;
    ``seq``: of the last event before it was closed; ``start``: which start of the daemon it
    belongs to."""

    number: int
    seq: int
    start: int
    minute: Minute


@record
class _Row:
    start: int
    at: Stamp
    inputs: list[Input]

    @property
    def minute(self) -> tuple[int, tuple[bool, int]]:
        return self.start, minute_of(self.at)


def close_minutes(
    connection: sqlite3.Connection,
    collector: str,
    setpoints: Setpoints,
    state: State,
    *,
    all_of_them: bool,
) -> list[int]:
    """Add a row for each minute that has ended, and with ``all_of_them`` for the last one too.

    Within the caller's transaction; ``state`` is that after its inputs. Returns the
    numbers (``n``) of the rows added.
    """
    number, after = _last(connection, collector)
    runs = [
        list(run)
        for _, run in groupby(_rows_after(connection, collector, after), lambda row: row.minute)
    ]
    added: list[int] = []
    for run, following in zip(runs, [*runs[1:], None], strict=True):
        if following is None and not all_of_them:
            break
        next_mono_s = None
        if following is not None and following[0].start == run[0].start:
            next_mono_s = following[0].inputs[0].at.mono_s
        inputs = [one for row in run for one in row.inputs]
        minute = summarised(inputs, next_mono_s, setpoints, state.zero.offset_pa)
        if minute is not None:
            number += 1
            one = NumberedMinute(number, state.next_seq - 1, run[0].start, minute)
            added.append(_insert(connection, collector, one))
    return added


def numbered(connection: sqlite3.Connection, n: int) -> NumberedMinute | None:
    """The minute in row ``n``; None where it has been deleted."""
    row = connection.execute(f"SELECT {COLUMNS} FROM minutes WHERE n = ?", (n,)).fetchone()
    return None if row is None else to_minute(row)


def to_minute(row: tuple[Any, ...]) -> NumberedMinute:
    """From a row of ``COLUMNS``. Raises ``FormatError``."""
    count, seq, start, began_utc_s, mono_s, covered_s, polls, good, *spreads, blower_s = checked(
        "minutes", row, _KINDS
    )
    dp, header = spreads[:3], spreads[3:]
    minute = Minute(
        began_utc_s=began_utc_s,
        at=Stamp(mono_s, began_utc_s),
        covered_s=covered_s,
        polls=polls,
        good=good,
        dp=None if None in dp else Spread(*dp),
        header=None if None in header else Spread(*header),
        blower_s=blower_s,
    )
    return NumberedMinute(count, seq, start, minute)


def _last(connection: sqlite3.Connection, collector: str) -> tuple[int, tuple[int, float]]:
    row = connection.execute(
        "SELECT number, start, mono_s FROM minutes WHERE collector = ? "
        f"AND {sane('number')} AND {sane('start')} AND typeof(mono_s) = 'real' "
        "ORDER BY n DESC LIMIT 1",
        (collector,),
    ).fetchone()
    return (0, (0, float("-inf"))) if row is None else (row[0], (row[1], row[2]))


def _rows_after(
    connection: sqlite3.Connection, collector: str, after: tuple[int, float]
) -> list[_Row]:
    """Rows of packed inputs later than ``after`` (start and monotonic time), oldest first."""
    found: list[_Row] = []
    rows = connection.execute(
        "SELECT start, mono_s, utc_s, kind, body FROM inputs "
        "WHERE collector = ? AND kind = ? ORDER BY n DESC",
        (collector, PACKED),
    )
    for row in rows:
        try:
            start, mono_s, utc_s, kind, body = checked("inputs", row, _INPUTS)
            if (start, mono_s) <= after:
                break
            inputs = list(unpack(kind, body))
        except FormatError as error:
            _log.error("stored readings not readable", cause=str(error), consequence="not counted")
            continue
        found.append(_Row(start, Stamp(mono_s, utc_s), inputs))
    return found[::-1]


def _insert(connection: sqlite3.Connection, collector: str, one: NumberedMinute) -> int:
    minute = one.minute
    values = (
        *(one.number, one.seq, one.start),
        *(minute.began_utc_s, minute.at.mono_s, minute.covered_s, minute.polls, minute.good),
        *_three(minute.dp),
        *_three(minute.header),
        minute.blower_s,
    )
    places = ", ".join("?" * (1 + len(values)))
    added = connection.execute(
        f"INSERT INTO minutes (collector, {COLUMNS}) VALUES ({places})", (collector, *values)
    ).lastrowid
    assert added is not None
    return added


def _three(spread: Spread | None) -> tuple[float | None, ...]:
    if spread is None:
        return None, None, None
    return spread.min_pa, spread.mean_pa, spread.max_pa
