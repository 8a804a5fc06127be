"""A trace in a Parquet file, a piece at a time, by polars.

`time` is a timestamp with a time zone, or seconds from the start. Nulls and NaN are samples that
were lost. What is called a line elsewhere is here a row, counted from 1. A piece with anything odd
in it is halved as in ``trace_csv``, and the small rest put into words for ``traces`` to judge.
"""

from collections.abc import Container
from pathlib import Path

import polars as pl
from polars import selectors as cs

from dustcake_lab.traces.ahead import ahead
from dustcake_lab.traces.columns import Recorded, TraceError, columns_of
from dustcake_lab.traces.frames import FrameReader, Samples

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
        self.recorded = Recorded()
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
        self._frame = self._frame.select(_as_told(name, kind) for name, kind in schema.items())

    def bytes_read(self) -> int:
        """How far into the file."""
        return self._bytes_read

    def samples(self, unused: Container[str] = ()) -> Samples:
        """The samples in order, and what is wrong with rows that cannot be used. The columns
        ``unused`` are checked, and left out. Raises TraceError."""
        reader = FrameReader(self.columns, unused, nan_is_lost=True)
        self.recorded = reader.recorded
        return ahead(self._samples(reader))

    def _samples(self, reader: FrameReader) -> Samples:
        begin, rows = 0, _FIRST_ROWS
        while begin < self._rows:
            try:
                frame = self._frame.slice(begin, rows).collect().rechunk()
            except (pl.exceptions.PolarsError, OSError) as error:
                raise TraceError(f"{_first_line(error)}; copy the file elsewhere first") from None
            yield from _piece(frame, reader)
            begin, rows = begin + rows, min(rows * 4 // 3, _ROWS)
            self._bytes_read = self._size_bytes * min(begin, self._rows) // self._rows


def _piece(frame: pl.DataFrame, reader: FrameReader) -> Samples:
    columns = reader.columns(frame)
    if columns is not None:
        yield columns
        return
    # The first row decides on the form of all times: it is read by itself.
    cut = len(frame) // 2 if reader.times.begun else 1
    if len(frame) <= _SMALL_ROWS and (reader.times.begun or len(frame) == 1):
        empty = frame.with_columns(cs.float().fill_nan(None))
        words = empty.write_csv(include_header=False, datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")
        yield from reader.rows.read(words.splitlines())
    else:
        yield from _piece(frame[:cut], reader)
        yield from _piece(frame[cut:], reader)


def _as_told(name: str, kind: pl.DataType) -> pl.Expr:
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
