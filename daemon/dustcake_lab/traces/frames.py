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
from dustcake_lab.traces.rows import RowReader, Rows
from dustcake_lab.traces.samples import Columns, Floats, SampleStream

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_LATEST_US = (datetime(3000, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND
_FRACTION, _ZONE = r"(\.\d\d?\d?\d?\d?\d?)?", r"(Z|[+-]\d\d:\d\d)$"
_INSTANT = r"^\d\d\d\d-\d\d-\d\d{}\d\d:\d\d:[0-5]\d" + _FRACTION + _ZONE
# By the length of a text that ends in Z; such a form is read several times as fast as an open one.
_FIXED = {20: "Z", 24: ".%3fZ", 27: ".%6fZ"}


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
        reader = RowReader(columns, recorded, unused, "row" if nan_is_lost else "line")
        self.times, self._recorded = reader.times, recorded
        self.rows = Rows(reader, 0)
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
        ahead_s = pl.col("t_s").diff()
        self._checks = (
            pl.all_horizontal(*(each.fill_null(True) for each in good)).alias("readable"),
            ahead_s.min().alias("shortest_s"),
            ahead_s.max().alias("longest_s"),
        )
        self._made = [(pl.col(dp_name) * DP_COLUMNS[dp_name].pa).alias("dp_pa")]
        self._made += [pl.col(name) for name in numbers[1:] if name not in unused]
        if contacts:
            digits = (_digit(name) * 3**n for n, name in enumerate(contacts))
            self._made.append(pl.sum_horizontal(*digits).cast(pl.Int16).alias("kind"))

    def columns(self, frame: pl.DataFrame) -> Columns | None:
        """The samples of a frame whose ``time`` is a number, a text or an instant; None where not
        everything in it is as it should be, or the first row of the trace is yet to be read."""
        times = self.times
        if self.rows.empty or not times.begun or not len(frame):
            return None
        t_s = _seconds(frame["time"], times)
        made = None if t_s is None else self._made_of(frame.with_columns(t_s.alias("t_s")))
        if made is None:
            return None
        note(self._recorded, made.t_s, times.last_s, frame)
        self.rows.line += len(frame)
        times.goes_on(float(made.t_s[-1]), self.rows.line)
        self.rows.reader.goes_on(made.contacts(-1))
        return made

    def _made_of(self, frame: pl.DataFrame) -> Columns | None:
        """None where a cell cannot be read, or time does not go on from row to row."""
        t_s: Floats = frame["t_s"].to_numpy()
        readable, shortest_s, longest_s = frame.select(self._checks).row(0)
        if not readable or not 0 < t_s[0] - self.times.last_s <= LONGEST_GAP_S:
            return None
        if len(t_s) > 1 and not (shortest_s > 0 and longest_s <= LONGEST_GAP_S):
            return None
        made = frame.select(self._made)
        arrays: dict[str, Floats] = {each.name: each.to_numpy() for each in made}
        kind = made["kind"] if "kind" in arrays else None
        return Columns(
            t_s=t_s,
            start_utc_s=self.times.start_utc_s,
            dp_pa=arrays["dp_pa"],
            header_pa=arrays.get("header_pa"),
            flow_m3s=arrays.get("flow_m3s"),
            kinds=self._kinds,
            kind=None if kind is None else kind.to_numpy(),
            changes=[] if kind is None else (kind != kind.shift()).arg_true().to_list(),
            longest_s=longest_s or 0.0,
        )


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
