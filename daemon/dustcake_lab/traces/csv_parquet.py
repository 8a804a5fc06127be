"""A CSV or Parquet trace a piece at a time, by polars: as fast as the file can be parsed.

A piece in which everything is as it should be becomes columns of samples at once, under the same
rules as for single cells. One in which anything is not is halved until what is odd is in a small
piece, and that is read row by row (``rows``), which knows what to say of each cell. Either way the
same file gives the same samples. Polars holds no lock of Python's while it works.

In Parquet `time` is a timestamp with a time zone, or seconds from the start; nulls and NaN are lost
samples; what is called a line elsewhere is a row there, counted from 1.
"""

from collections.abc import Container, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from io import BufferedIOBase, BufferedReader, BytesIO, RawIOBase
from itertools import chain, product
from pathlib import Path

import numpy as np
import polars as pl
from polars import selectors as cs

from dustcake.core.inputs import Contacts, PollCompleted
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
    TraceError,
    columns_of,
)
from dustcake_lab.traces.rows import RowReader, Trace, lines_of, why
from dustcake_lab.traces.samples import Columns, SampleStream

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
        cells = [name for name in columns if name != "time"]
        self._readable = pl.all_horizontal(_is_readable(name, nan_is_lost) for name in cells)
        used = [name for name in cells if name not in unused]
        self._made = [*_numbers(used), *_kind(used)]
        contacts = [name for name in CONTACT_COLUMNS if name in used]
        answers = product(_ANSWERS, repeat=len(contacts))
        self._kinds = [Contacts(**dict(zip(contacts, each, strict=True))) for each in answers]

    def columns(self, frame: pl.DataFrame) -> Columns | None:
        """The samples of a frame whose ``time`` is a number, a text or an instant; None where not
        everything in it is as it should be, or the first row of the trace is yet to be read."""
        times = self.rows.times
        if self.rows.empty or not times.begun or not len(frame):
            return None
        t_s = _seconds(frame["time"], times)
        if t_s is None or not frame.select(self._readable).item():
            return None
        ahead_s = t_s.diff().fill_null(t_s[0] - times.last_s)
        if not ahead_s.is_between(0.0, LONGEST_GAP_S, "right").all():
            return None
        arrays = {each.name: each.to_numpy() for each in frame.select(self._made)}
        made = Columns(t_s.to_numpy(), times.start_utc_s, kinds=self._kinds, **arrays)
        note(self._recorded, t_s, times.last_s, frame)
        self.rows.goes_on(float(made.t_s[-1]), len(frame), made.contacts(-1))
        return made


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


def _is_readable(name: str, nan_is_lost: bool) -> pl.Expr:
    """Whether every cell says something, or is empty. NaN counts for nothing in the least and the
    greatest of a column, unless there is nothing else in it."""
    cells = pl.col(name)
    if name in DP_COLUMNS or name in NUMBER_COLUMNS:
        good = (cells.min() > -LARGEST) & ((cells.max() < LARGEST) | cells.max().is_nan())
    else:
        most = MOST_COUNTED if name in PULSE_COLUMNS else 1
        good = ((cells.is_between(0, most) & (cells.floor() == cells)) | cells.is_nan()).all()
    return (good & (nan_is_lost | ~cells.is_nan().any())).fill_null(True)


def _numbers(used: list[str]) -> Iterator[pl.Expr]:
    """What becomes of columns with numbers: dP in Pa, and the others as they are."""
    for name in used:
        if name in DP_COLUMNS:
            yield (pl.col(name) * DP_COLUMNS[name].pa).alias("dp_pa")
        elif name in NUMBER_COLUMNS:
            yield pl.col(name)


def _kind(used: list[str]) -> Iterator[pl.Expr]:
    """What becomes of contacts, if there are any: their answers as digits of one number."""
    contacts = [name for name in reversed(CONTACT_COLUMNS) if name in used]
    digits = [(pl.col(name).fill_nan(None) + 1).fill_null(0) for name in contacts]
    if digits:
        kind = pl.sum_horizontal(digit * 3**n for n, digit in enumerate(digits))
        yield kind.cast(pl.Int16).alias("kind")


def note(recorded: Recorded, t_s: pl.Series, last_s: float, frame: pl.DataFrame) -> None:
    """Take in what readable cells say was done."""
    missing = [name for name in EVENT_COLUMNS if name not in frame.columns]
    if len(missing) == len(EVENT_COLUMNS):
        return
    begin_s, end_s = t_s.shift(fill_value=max(last_s, 0.0)), t_s
    frame = frame.with_columns(pl.lit(None, pl.Float64).alias(name) for name in missing)
    said = frame.select(EVENT_COLUMNS).with_columns(begin_s=begin_s, end_s=end_s).fill_nan(None)
    pulsed = said.filter(pl.max_horizontal(PULSE_COLUMNS) > 0).fill_null(0.0)
    for row in pulsed.select("begin_s", "end_s", *PULSE_COLUMNS).iter_rows():
        recorded.pulsed(*row[:2], *map(int, row[2:]))
    cleaning = said.select("end_s", "cleaning").drop_nulls()
    changed = pl.col("cleaning").ne_missing(pl.col("cleaning").shift())
    for at_s, under_way in cleaning.filter(changed).iter_rows():
        recorded.cleans(at_s, bool(under_way))


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


_BLOCK_BYTES = 16_000_000
_SMALL_BYTES = 16_000


class CsvTrace:
    """One trace, read once. As ``rows.Trace``, but in columns as far as that goes."""

    def __init__(self, raw: BufferedIOBase) -> None:
        """Reads the header. Raises TraceError."""
        self._raw = raw
        begun = self._read()
        cut = begun.find(b"\n") + 1
        self._by_rows = not cut or _is_odd(begun[:cut])
        self._begun = begun if self._by_rows else begun[cut:]
        lines = self._lines(begun, 0) if self._by_rows else lines_of(BytesIO(begun[:cut]))
        self._trace = Trace(lines, raw.tell)
        self.columns, self.recorded = self._trace.columns, self._trace.recorded
        self.bytes_read = raw.tell

    def samples(self, unused: Container[str] = ()) -> SampleStream:
        """The samples in order, and what is wrong with rows that cannot be used. The columns
        ``unused`` are checked, and left out. Raises TraceError."""
        if self._by_rows:
            return self._trace.samples(unused)
        return ahead(self._samples(FrameReader(self.columns, self.recorded, unused)))

    def _samples(self, reader: FrameReader) -> SampleStream:
        rest = self._begun
        while rest:
            cut = rest.rfind(b"\n") + 1
            block, rest = rest[:cut], rest[cut:]
            if not block or _is_odd(block):
                yield from reader.rows.read(self._lines(block + rest, reader.rows.line))
                return
            yield from self._block(block, reader)
            more = self._read()
            if not more:
                yield from reader.rows.read(lines_of(BytesIO(rest), reader.rows.line))
                return
            rest += more

    def _block(self, block: bytes, reader: FrameReader) -> SampleStream:
        columns = _at_once(block, self.columns, reader)
        half = block.find(b"\n", len(block) // 2) + 1
        if columns is not None:
            yield columns
        elif len(block) > _SMALL_BYTES and half < len(block):
            yield from self._block(block[:half], reader)
            yield from self._block(block[half:], reader)
        else:
            yield from reader.rows.read(lines_of(BytesIO(block), reader.rows.line))

    def _lines(self, ahead: bytes, done: int) -> Iterator[str]:
        """All that is left, line by line."""
        return lines_of(BufferedReader(_Chained(ahead, self._raw)), done)  # type: ignore[type-var]

    def _read(self) -> bytes:
        try:
            return self._raw.read(_BLOCK_BYTES)
        except OSError as error:
            raise TraceError(f"{why(error)} while it was read; copy it elsewhere first") from None


def _is_odd(block: bytes) -> bool:
    """Whether it is not certain where lines end: a quoted cell may hold the end of one."""
    if b'"' in block:
        return True
    return b"\r" in block and block.count(b"\r") != block.count(b"\r\n")


def _at_once(block: bytes, columns: tuple[str, ...], reader: FrameReader) -> Columns | None:
    """The whole block; None where anything in it is not as it should be."""
    times = reader.rows.times
    if not times.begun:
        return None
    letters = np.frombuffer(block, np.uint8)  # several times as fast as counting in bytes
    rows = int(np.count_nonzero(letters == ord("\n")))
    if int(np.count_nonzero(letters == ord(","))) != rows * (len(columns) - 1):
        return None
    time = pl.Float64 if times.seconds_0 is not None else pl.String
    schema = {name: time if name == "time" else pl.Float64 for name in columns}
    try:
        frame = pl.read_csv(block, has_header=False, schema=schema, quote_char=None)
    except pl.exceptions.PolarsError:
        return None
    return reader.columns(frame) if len(frame) == rows else None


class _Chained(RawIOBase):
    """Bytes already read, and then the file they were read from."""

    def __init__(self, read: bytes, further: BufferedIOBase) -> None:
        self._read = BytesIO(read)
        self._further = further

    def readable(self) -> bool:
        """It is."""
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        """As any raw file."""
        data = self._read.read(len(buffer)) or self._further.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


# Large pieces, since handing one over takes time; smaller ones first, since the next is read while
# one is worked on, which takes little longer.
_FIRST_ROWS, _ROWS = 250_000, 1_000_000
_SMALL_ROWS = 500


class ParquetTrace:
    """One trace, read once."""

    def __init__(self, path: Path) -> None:
        """Raises TraceError."""
        self._bytes_read = 0
        try:
            self._size_bytes = path.stat().st_size
            self._frame = pl.scan_parquet(path)
            schema = self._frame.collect_schema()
            self._rows: int = self._frame.select(pl.len()).collect().item()
        except (pl.exceptions.PolarsError, OSError) as error:
            raise TraceError(
                f"{_first_line(error)}; name a Parquet file this user may read"
            ) from None
        self.columns = columns_of(list(schema), "")
        self.recorded = Recorded.of(self.columns)
        self._frame = self._frame.select(_in_one_type(name, kind) for name, kind in schema.items())

    def bytes_read(self) -> int:
        """How far into the file."""
        return self._bytes_read

    def samples(self, unused: Container[str] = ()) -> SampleStream:
        """The samples in order, and what is wrong with rows that cannot be used. The columns
        ``unused`` are checked, and left out. Raises TraceError."""
        reader = FrameReader(self.columns, self.recorded, unused, nan_is_lost=True)
        return ahead(chain.from_iterable(_piece(frame, reader) for frame in self._frames()))

    def rows(self) -> Trace:
        """The same, row by row."""
        words = chain.from_iterable(_words(frame) for frame in self._frames())
        return Trace(chain([",".join(self.columns)], words), self.bytes_read, "row")

    def _frames(self) -> Iterator[pl.DataFrame]:
        # The first row decides on the form of all times, and is read by itself.
        begin, rows = 0, 1
        while begin < self._rows:
            try:
                yield self._frame.slice(begin, rows).collect().rechunk()
            except (pl.exceptions.PolarsError, OSError) as error:
                raise TraceError(f"{_first_line(error)}; copy the file elsewhere first") from None
            begin, rows = begin + rows, min(rows * 4 // 3, _ROWS) if begin else _FIRST_ROWS
            self._bytes_read = self._size_bytes * min(begin, self._rows) // self._rows


def _piece(piece: pl.DataFrame, reader: FrameReader) -> SampleStream:
    columns, half = reader.columns(piece), len(piece) // 2
    if columns is not None:
        yield columns
    elif len(piece) > _SMALL_ROWS:
        yield from _piece(piece[:half], reader)
        yield from _piece(piece[half:], reader)
    else:
        yield from reader.rows.read(_words(piece))


def _words(piece: pl.DataFrame) -> list[str]:
    """The lines of CSV that say the same."""
    empty = piece.with_columns(cs.float().fill_nan(None))
    form = "%Y-%m-%dT%H:%M:%S%.6fZ"
    return empty.write_csv(include_header=False, datetime_format=form).splitlines()


def _in_one_type(name: str, kind: pl.DataType) -> pl.Expr:
    """The column in the one type that all pieces have. Raises TraceError."""
    if name == "time" and isinstance(kind, pl.Datetime):
        if kind.time_zone is None:
            raise TraceError("`time` has no time zone: store it as timestamps of UTC")
        return pl.col(name).dt.convert_time_zone("UTC").dt.cast_time_unit("us")
    if not (kind.is_numeric() or kind in (pl.Boolean, pl.Null)):
        remedy = "timestamps with a time zone, or seconds" if name == "time" else "numbers"
        raise TraceError(f"column `{name}` is stored as {kind}: store it as {remedy}")
    return pl.col(name).cast(pl.Float64)


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0]
