"""From a frame of cells to samples side by side, under the same rules as for single cells.

A frame with anything odd in it is left alone. Polars takes all of it at once, and holds no lock of
Python's while it works.
"""

from collections.abc import Container
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from dustcake.core.inputs import PollCompleted
from dustcake.core.signals import Contacts
from dustcake.units import PA_PER
from dustcake_lab.traces.columns import (
    CONTACT_COLUMNS,
    DP_COLUMNS,
    EVENT_COLUMNS,
    LARGEST,
    LONGEST_GAP_S,
    MOST_COUNTED,
    NUMBER_COLUMNS,
    PULSE_COLUMNS,
    BadRow,
    Recorded,
    Times,
)
from dustcake_lab.traces.rows import RowReader
from dustcake_lab.traces.samples import Columns, Floats, SampleStream

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_LATEST_US = (datetime(3000, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND
_INSTANT = r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d:[0-5]\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)$"
_ANSWERS = (None, False, True)
"""What a contact says, by the digit it has in a row's kind."""


class FrameReader:
    """Turns frames into columns, and goes on where rows read singly have got to. A null is an empty
    cell, and where ``nan_is_lost`` a NaN is too, as in a file that has no lines; otherwise it is a
    mistake. ``rows`` reads single rows, and knows the line."""

    def __init__(
        self,
        columns: tuple[str, ...],
        recorded: Recorded,
        unused: Container[str],
        *,
        nan_is_lost: bool = False,
    ) -> None:
        called, heading_lines = ("row", 0) if nan_is_lost else ("line", 1)
        self.rows = RowReader(columns, recorded, unused, called, heading_lines)
        self._recorded = recorded
        dp_name = next(name for name in columns if name in DP_COLUMNS)
        numbers = [dp_name, *(name for name in NUMBER_COLUMNS if name in columns)]
        contacts = [n for n in CONTACT_COLUMNS if n in columns and n not in unused]
        self._kinds = [
            Contacts(**{name: _ANSWERS[kind // 3**n % 3] for n, name in enumerate(contacts)})
            for kind in range(3 ** len(contacts))
        ]
        cells = [name for name in columns if name != "time"]
        good = [_is_readable(name, is_number=name in numbers) for name in cells]
        if not nan_is_lost:
            good += [~pl.col(name).is_nan().any() for name in cells]
        t_s = pl.col("t_s")
        self._checks = (
            pl.all_horizontal(*(each.fill_null(True) for each in good)).alias("readable"),
            t_s.first().alias("first_s"),
            t_s.diff().min().fill_null(1.0).alias("shortest_s"),
            t_s.diff().max().fill_null(1.0).alias("longest_s"),
        )
        self._made = [(pl.col(dp_name) * PA_PER[DP_COLUMNS[dp_name]]).alias("dp_pa")]
        self._made += [pl.col(name) for name in numbers[1:] if name not in unused]
        if contacts:
            digits = (_digit(name) * 3**n for n, name in enumerate(contacts))
            self._made.append(pl.sum_horizontal(*digits).cast(pl.Int16).alias("kind"))

    def columns(self, frame: pl.DataFrame) -> Columns | None:
        """The samples of a frame whose ``time`` is a number, a text or an instant; None where not
        everything in it is as it should be, or the first row of the trace is yet to be read."""
        times = self.rows.times
        if self.rows.empty or not times.begun or not len(frame):
            return None
        t_s = _seconds(frame["time"], times)
        if t_s is None or not self._is_good(frame.with_columns(t_s.alias("t_s"))):
            return None
        made = self._columns(t_s.to_numpy(), frame.select(self._made))
        note(self._recorded, made.t_s, times.last_s, frame)
        self.rows.goes_on(float(made.t_s[-1]), len(frame), made.contacts(-1))
        return made

    def _is_good(self, frame: pl.DataFrame) -> bool:
        """Whether every cell can be read, and time goes on from row to row."""
        readable, first_s, shortest_s, longest_s = frame.select(self._checks).row(0)
        ahead_s = first_s - self.rows.times.last_s
        within = min(ahead_s, shortest_s) > 0 and max(ahead_s, longest_s) <= LONGEST_GAP_S
        return bool(readable) and within

    def _columns(self, t_s: Floats, made: pl.DataFrame) -> Columns:
        arrays = {each.name: each.to_numpy() for each in made}
        return Columns(t_s, self.rows.times.start_utc_s, kinds=self._kinds, **arrays)


def _seconds(column: pl.Series, times: Times) -> pl.Series | None:
    """Seconds from the first row; None where one cannot be read, or not this way."""
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
    if not texts.str.contains(_INSTANT).all():
        return None
    between = texts[0][10]
    try:
        at = texts.str.to_datetime(f"%Y-%m-%d{between}%H:%M:%S%.f%#z", time_unit="us")
    except pl.exceptions.PolarsError:
        return None
    return at.to_physical()


def _is_readable(name: str, *, is_number: bool) -> pl.Expr:
    """Whether every cell says something, or is empty. NaN counts for nothing in the least and the
    greatest of a column, unless there is nothing else in it."""
    cells = pl.col(name)
    if is_number:
        return (cells.min() > -LARGEST) & ((cells.max() < LARGEST) | cells.max().is_nan())
    most = MOST_COUNTED if name in PULSE_COLUMNS else 1
    return ((cells.is_between(0, most) & (cells.floor() == cells)) | cells.is_nan()).all()


def _digit(contact: str) -> pl.Expr:
    return (pl.col(contact).fill_nan(None) + 1).fill_null(0)


def note(recorded: Recorded, t_s: Floats, last_s: float, frame: pl.DataFrame) -> None:
    """Take in what readable cells say was done."""
    cells = {name: frame[name].to_numpy() for name in EVENT_COLUMNS if name in frame.columns}
    valves, counts, cleaning = (cells.get(name) for name in EVENT_COLUMNS)
    pulsed = [np.flatnonzero(each > 0) for each in (valves, counts) if each is not None]
    for row in np.unique(np.concatenate(pulsed)).tolist() if pulsed else ():
        before_s = float(t_s[row - 1]) if row else max(last_s, 0.0)
        recorded.pulsed(before_s, float(t_s[row]), _whole(valves, row), _whole(counts, row))
    if cleaning is not None:
        known = np.flatnonzero(~np.isnan(cleaning))
        values = cleaning[known]
        changed = np.ones(len(known), bool)
        changed[1:] = values[1:] != values[:-1]
        for row in known[changed].tolist():
            recorded.cleans(float(t_s[row]), bool(cleaning[row]))


def _whole(values: Floats | None, row: int) -> int:
    return 0 if values is None or np.isnan(values[row]) else int(values[row])


_SINGLE_ROWS = 1000


def ahead(samples: SampleStream) -> SampleStream:
    """The same samples, the next of them read in a thread of its own while one is worked on. What
    goes wrong in it is raised here."""
    with ThreadPoolExecutor(1, "trace") as reader:
        following = reader.submit(_some, samples)
        while some := following.result():
            following = reader.submit(_some, samples)
            yield from some


def _some(samples: SampleStream) -> list[Columns | PollCompleted | BadRow]:
    """Columns, or a number of single rows: to hand over each would cost more than to read it."""
    some = []
    for each in samples:
        some.append(each)
        if isinstance(each, Columns) or len(some) == _SINGLE_ROWS:
            break
    return some
