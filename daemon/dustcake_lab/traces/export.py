"""Writing a journal out as a trace, whole or not at all."""

from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

from dustcake.core.setpoints import Setpoints
from dustcake.settings.extras import the_extra
from dustcake_lab.traces.files import PARQUET_ENDINGS
from dustcake_lab.traces.journal import journal_lines
from dustcake_lab.traces.whole_file import whole


class ExportError(Exception):
    """Why nothing has been written, and the remedy."""


def export(
    journal: Path,
    setpoints: Setpoints,
    to: Path,
    since_utc_s: float | None,
    until_utc_s: float | None,
) -> int:
    """Write the readings of a collector between those times into the file ``to``; returns how many.
    Raises ExportError, UnwritableError, TraceError and ``StoreRefused``."""
    parquet = to.suffix.lower() in PARQUET_ENDINGS
    if parquet and find_spec("polars") is None:
        raise ExportError(
            f"{to}: Parquet needs {the_extra('analysis')}, or name a file that ends in .csv"
        )
    lines = journal_lines(journal, setpoints.collector, setpoints, since_utc_s, until_utc_s)
    with whole(to) as part:
        rows = _written(lines, part)
        if rows == 0:
            raise ExportError(
                f"the journal has no reading of {setpoints.collector!r} in that time: nothing "
                "written"
            )
        if parquet:
            _to_parquet(part)
    return rows


def _written(lines: Iterator[str], part: Path) -> int:
    with part.open("w", encoding="utf-8", newline="") as file:
        rows = -1
        for line in lines:
            file.write(line)
            rows += 1
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
