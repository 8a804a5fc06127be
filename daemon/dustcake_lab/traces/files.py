"""Whatever holds a trace, opened by what it is: CSV, Parquet, or a daemon's journal."""

from collections.abc import Container, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from dustcake.core.setpoints import Setpoints
from dustcake.settings.extras import install_hint
from dustcake_lab.traces.columns import PARQUET_ENDINGS, Recorded, TraceError
from dustcake_lab.traces.journal import is_journal, journal_lines
from dustcake_lab.traces.rows import Trace, lines_of, open_file

if TYPE_CHECKING:
    from dustcake_lab.traces.samples import SampleStream


class OpenTrace(Protocol):
    """One trace, read once. ``recorded``: what it says was done, as far as it has been read."""

    columns: tuple[str, ...]
    recorded: Recorded

    def bytes_read(self) -> int:
        """How far into the file."""

    def samples(self, unused: Container[str] = ()) -> "SampleStream":
        """The samples in order, and what is wrong with rows that cannot be used."""


@contextmanager
def open_any(path: Path, of: Setpoints | None = None) -> Iterator[OpenTrace]:
    """The trace in the file at ``path``; of a journal that of the collector ``of``. Raises
    TraceError, also while it is read, and ``StoreRefused``.

    With the extra `analysis` a file is read in columns; without, CSV is read row by row.
    """
    fast = find_spec("polars") is not None
    if path.suffix.lower() in PARQUET_ENDINGS:
        if not fast:
            raise TraceError(
                f"reading Parquet needs {install_hint('analysis')}, or write the trace as CSV"
            )
        from dustcake_lab.traces.csv_parquet import ParquetTrace

        yield ParquetTrace(path)
        return
    with open_file(path) as raw:
        if of is not None and is_journal(raw):
            if path.is_fifo():
                raise TraceError("a journal cannot be read from a pipe; name the daemon's file")
            yield Trace(journal_lines(path, of.collector, of))
        elif fast:
            from dustcake_lab.traces.csv_parquet import CsvTrace

            yield CsvTrace(raw)
        else:
            yield Trace(lines_of(raw), raw.tell)
