"""From a frame of cells to columns of samples; a frame with anything odd in it is left alone."""

from collections.abc import Container, Iterator
from datetime import UTC, datetime, timedelta
from typing import TypeAlias

import polars as pl

from dustcake.core.inputs import PollCompleted
from dustcake_lab.traces.arrays import ArrayReader, note
from dustcake_lab.traces.cells import LARGEST, Times
from dustcake_lab.traces.columns import BadRow
from dustcake_lab.traces.rows import RowReader, Rows
from dustcake_lab.traces.sample_columns import Columns

Samples: TypeAlias = Iterator[Columns | PollCompleted | BadRow]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_LATEST_US = (datetime(3000, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND
_FRACTION, _ZONE = r"(\.\d\d?\d?\d?\d?\d?)?", r"(Z|[+-]\d\d:\d\d)$"
_INSTANT = r"^\d\d\d\d-\d\d-\d\d{}\d\d:\d\d:[0-5]\d" + _FRACTION + _ZONE
# By the length of a text that ends in Z; such a form is read several times as fast as an open one.
_FIXED = {20: "Z", 24: ".%3fZ", 27: ".%6fZ"}


class FrameReader:
    """Turns frames into columns, and goes on where rows read singly have got to."""

    def __init__(
        self, columns: tuple[str, ...], unused: Container[str], *, nan_is_lost: bool = False
    ) -> None:
        """``nan_is_lost``: a NaN is an empty cell, as in a file that has no lines; otherwise it is
        a mistake."""
        reader = RowReader(columns, unused, "row" if nan_is_lost else "line")
        self.recorded = reader.recorded
        self.times = reader.times
        self.rows = Rows(reader, 0)
        """Reads single rows, and knows the line."""
        self._arrays = ArrayReader(columns, unused, nan_is_lost=nan_is_lost)

    def columns(self, frame: pl.DataFrame) -> Columns | None:
        """The samples of a frame whose ``time`` is a number, a text or an instant; None where not
        everything in it is as it should be, or the first row of the trace is yet to be read."""
        times = self.times
        if self.rows.empty or not times.begun or not len(frame):
            return None
        t_s = _seconds(frame["time"], times)
        if t_s is None:
            return None
        made = self._arrays.columns(
            frame.with_columns(t_s.alias("t_s")), times.start_utc_s, times.last_s
        )
        if made is None:
            return None
        note(self.recorded, made.t_s, times.last_s, frame)
        self.rows.line += len(frame)
        times.goes_on(float(made.t_s[-1]), self.rows.line)
        self.rows.reader.goes_on(made.contacts(-1))
        return made


def _seconds(column: pl.Series, times: Times) -> pl.Series | None:
    """Seconds from the first row; None where one cannot be told, or not this way."""
    if column.null_count():
        return None
    if column.dtype == pl.Float64:
        if times.seconds_0 is None or not column.is_between(-LARGEST, LARGEST, "none").all():
            return None
        return column - times.seconds_0
    if times.at_0 is None:
        return None
    utc_us = _texts_us(column) if column.dtype == pl.String else column.to_physical()
    if utc_us is None or not utc_us.is_between(0, _LATEST_US, "left").all():
        return None
    return (utc_us - (times.at_0 - _EPOCH) // _MICROSECOND) / 1e6


def _texts_us(texts: pl.Series) -> pl.Series | None:
    """Microseconds of UTC; None where a text is no instant, or not in the usual form."""
    between = next((b for b in ("T", " ") if texts.str.contains(_INSTANT.format(b)).all()), None)
    if between is None:
        return None
    form = f"%Y-%m-%d{between}%H:%M:%S"
    length = texts.str.len_bytes()
    fixed = _FIXED.get(int(length[0])) if bool((length == length[0]).all()) else None
    try:
        if fixed is not None and texts.str.ends_with("Z").all():
            return _microseconds(texts, form + fixed)
        local_us = _microseconds(texts.str.replace(_ZONE, ""), form + "%.f")
        zones = texts.str.extract(_ZONE)
        ahead_us = {zone: _ahead_us(zone) for zone in zones.unique().to_list()}
    except (pl.exceptions.PolarsError, ValueError):
        return None
    if set(ahead_us) != {"Z"}:
        local_us = local_us - zones.replace_strict(ahead_us, return_dtype=pl.Int64)
    return local_us


def _microseconds(texts: pl.Series, form: str) -> pl.Series:
    return texts.str.to_datetime(form, time_unit="us").to_physical()


def _ahead_us(zone: str) -> int:
    offset = datetime.fromisoformat(f"2000-01-01T00:00:00{zone}").utcoffset()
    assert offset is not None
    return offset // _MICROSECOND
