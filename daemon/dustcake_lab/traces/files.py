"""Whatever holds a trace, opened by what it is: CSV, Parquet, or a daemon's journal; a journal
exported as one; and files that are written whole or not at all."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from errno import EISDIR, ENOSPC
from importlib.util import find_spec
from os import strerror
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from dustcake.core.setpoints import Setpoints
from dustcake.settings.extras import install_hint
from dustcake_lab.traces.columns import PARQUET_ENDINGS, TraceError
from dustcake_lab.traces.journal import is_journal, journal_lines
from dustcake_lab.traces.rows import Trace, lines_of, open_file

if TYPE_CHECKING:
    from dustcake_lab.traces.csv_parquet import CsvTrace, ParquetTrace


OpenTrace: TypeAlias = "Trace | CsvTrace | ParquetTrace"
"""One trace, read once: row by row, or in columns."""


@contextmanager
def open_any(path: Path, of: Setpoints | None = None) -> Iterator[OpenTrace]:
    """The trace in the file at ``path``; of a journal that of the collector ``of``. Raises
    TraceError, also while it is read, and ``StoreRefused``.

    With the extra `analysis` a file is read in columns; without, CSV is read row by row.
    """
    if path.suffix.lower() in PARQUET_ENDINGS:
        yield _parquet(path)
        return
    with open_file(path) as raw:
        if of is not None and is_journal(raw):
            if path.is_fifo():
                raise TraceError("a journal cannot be read from a pipe; name the daemon's file")
            yield Trace(journal_lines(path, of.collector, of))
        elif find_spec("polars") is not None:
            from dustcake_lab.traces.csv_parquet import CsvTrace

            yield CsvTrace(raw)
        else:
            yield Trace(lines_of(raw), raw.tell)


@contextmanager
def open_rows(path: Path) -> Iterator[Trace]:
    """The trace in a CSV or Parquet file, read row by row, so that ``reader`` has the flow of the
    row read last."""
    if path.suffix.lower() in PARQUET_ENDINGS:
        yield _parquet(path).rows()
        return
    with open_file(path) as raw:
        yield Trace(lines_of(raw), raw.tell)


def _parquet(path: Path) -> "ParquetTrace":
    if find_spec("polars") is None:
        raise TraceError(
            f"reading Parquet needs {install_hint('analysis')}, or write the trace as CSV"
        )
    from dustcake_lab.traces.csv_parquet import ParquetTrace

    return ParquetTrace(path)


def export(
    journal: Path,
    setpoints: Setpoints,
    to: Path,
    since_utc_s: float | None,
    until_utc_s: float | None,
) -> int:
    """Write the readings of a collector between those times into the file ``to``; returns how many.
    Raises UnwritableError, TraceError and ``StoreRefused``."""
    parquet = to.suffix.lower() in PARQUET_ENDINGS
    if parquet and find_spec("polars") is None:
        raise TraceError(
            f"{to}: Parquet needs {install_hint('analysis')}, or name a file that ends in .csv"
        )
    lines = journal_lines(journal, setpoints.collector, setpoints, since_utc_s, until_utc_s)
    with atomic_write(to) as part:
        with part.open("w", encoding="utf-8", newline="") as file:
            rows = sum(1 for line in lines if file.write(line)) - 1  # but for the header
        if rows == 0:
            raise TraceError(
                f"the journal has no reading of {setpoints.collector!r} in that time: nothing "
                "written"
            )
        if parquet:
            _to_parquet(part)
    return rows


def _to_parquet(part: Path) -> None:
    import polars as pl

    columns = pl.scan_csv(part, n_rows=0).collect_schema().names()
    schema = {name: pl.String if name == "time" else pl.Float64 for name in columns}
    frame = pl.read_csv(part, schema=schema)
    by_clock = frame["time"].str.ends_with("Z").any()
    at = pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us")
    time = at.dt.replace_time_zone("UTC") if by_clock else pl.col("time").cast(pl.Float64)
    frame.with_columns(time).write_parquet(part)


class UnwritableError(Exception):
    """Why a file cannot be written, with its name and the remedy."""


def require_writable(to: Path) -> None:
    """Raises UnwritableError where ``to`` could not be written just now: before work is begun whose
    result would be lost. What is there is left alone."""
    with _named(to):
        if to.is_dir():
            raise IsADirectoryError(EISDIR, strerror(EISDIR))
        _part(to).touch()
        _part(to).unlink()


@contextmanager
def atomic_write(to: Path) -> Iterator[Path]:
    """Where to write what shall stand at ``to`` once all of it is there. Raises UnwritableError."""
    part = _part(to)
    try:
        with _named(to):
            yield part
            part.replace(to)
    finally:
        with suppress(OSError):
            part.unlink()


def _part(to: Path) -> Path:
    """A name beside it, as a disk is full or read-only as a whole; with its ending, from which some
    know what to write."""
    return to.with_name(f"{to.stem}.part{to.suffix}")


@contextmanager
def _named(to: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        why = error.strerror or str(error)
        remedy = "make room there, or name" if error.errno == ENOSPC else "name"
        raise UnwritableError(f"{to}: {why}; {remedy} a file this user may write") from None
