"""A CSV or Parquet trace a piece at a time, by polars: as fast as the file can be parsed.

A piece in which everything is as it should be becomes columns of samples at once. One in which
anything is not is halved until what is odd is in a small piece, and that is read row by row
(``rows``), which knows what to say of each cell. Either way the same file gives the same samples.

In Parquet `time` is a timestamp with a time zone, or seconds from the start; nulls and NaN are lost
samples; what is called a line elsewhere is a row there, counted from 1.
"""

from collections.abc import Container, Iterator
from io import BufferedIOBase, BufferedReader, BytesIO, RawIOBase
from pathlib import Path

import numpy as np
import polars as pl
from polars import selectors as cs

from dustcake_lab.traces.columns import Recorded, TraceError, columns_of
from dustcake_lab.traces.frames import FrameReader, ahead
from dustcake_lab.traces.rows import Trace, lines_of, why
from dustcake_lab.traces.samples import Columns, SampleStream

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
        self._size_bytes = 0
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
        return ahead(
            self._samples(FrameReader(self.columns, self.recorded, unused, nan_is_lost=True))
        )

    def _samples(self, reader: FrameReader) -> SampleStream:
        # The first row decides on the form of all times, and is read by itself.
        begin, rows = 0, 1
        while begin < self._rows:
            try:
                frame = self._frame.slice(begin, rows).collect().rechunk()
            except (pl.exceptions.PolarsError, OSError) as error:
                raise TraceError(f"{_first_line(error)}; copy the file elsewhere first") from None
            yield from _piece(frame, reader)
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
        empty = piece.with_columns(cs.float().fill_nan(None))
        words = empty.write_csv(include_header=False, datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")
        yield from reader.rows.read(words.splitlines())


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
