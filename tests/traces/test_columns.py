"""A file read in columns gives the very samples and complaints of one read row by row."""

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.core.inputs import PollCompleted
from dustcake_lab.traces import csv_parquet
from dustcake_lab.traces.columns import BadRow, Recorded, TraceError
from dustcake_lab.traces.csv_parquet import CsvTrace
from dustcake_lab.traces.files import OpenTrace, open_any
from dustcake_lab.traces.rows import Trace, lines_of
from dustcake_lab.traces.samples import Columns
from examples import explore
from traces.recorded import Bench, each_second, table

ALL = "time,dp_mbar,smoke,header_pa,blower_running,flow_m3s,pulse_valve,pulses,cleaning"
ODD = {
    "time": ["", "x", "nan", "2026-03-01", "-5", "1e13", "2026-03-01T08:00:60Z"],
    "dp_mbar": ["", " ", "nan", "inf", "-inf", "1e12", "-1e12", "1_0", "0x1", " 8.1", "8 ", "+8.2"],
    "smoke": ["", "2", "yes", "0.0", "1.0", " 1", "01"],
    "header_pa": ["", "6 bar", "6e5", "1e300", ".5", "5."],
    "blower_running": ["", "0", "no", "1.00"],
    "flow_m3s": ["", "1.2", "fast"],
    "pulse_valve": ["", "0", "3", "1.5", "-1", "99999", "4.0"],
    "pulses": ["", "0", "2", "x"],
    "cleaning": ["", "0", "1", "on"],
}
NAIVE = datetime(2026, 1, 1, tzinfo=UTC).replace(tzinfo=None)
ZONES = ("Z", "+00:00", "-05:00", "+05:30")


def one_by_one(samples: Iterable[Columns | PollCompleted | BadRow]) -> Iterator[object]:
    for each in samples:
        if isinstance(each, Columns):
            yield from (each.poll(row) for row in range(len(each)))
        else:
            yield each


def read(trace: OpenTrace, unused: tuple[str, ...] = ()) -> tuple[list[object], Recorded]:
    recorded = trace.recorded
    samples = list(one_by_one(trace.samples(unused)))
    assert trace.recorded is recorded, "whoever has it before sees what is read later"
    return samples, recorded


def some_text(seed: int) -> str:
    """A trace, good for the most part."""
    random = Random(seed)
    columns = ["time", "dp_mbar", *random.sample(ALL.split(",")[2:], random.randint(0, 7))]
    random.shuffle(columns)
    by_clock, zone = random.choice((True, False)), random.choice(ZONES)
    fraction, spoilt = random.choice((0, 0, 3, 6)), random.choice((0.0, 0.0, 0.02, 0.3))
    end = random.choice(("\n", "\n", "\r\n"))
    lines, t = [",".join(columns)], 0.0
    for _ in range(random.randint(1, 60)):
        t += random.choice((0.5, 1.0, 1.0, 30.0))
        if random.random() < spoilt / 3:
            t += random.choice((-40.0, 0.0, 4e7))
            zone = random.choice(ZONES)
        at = datetime(2026, 3, 1, 8, tzinfo=UTC) + timedelta(seconds=t)
        stamp = f"{at:%Y-%m-%dT%H:%M:%S}" + (f".{at:%f}"[: fraction + 1] if fraction else "")
        cells = {
            "time": stamp + zone if by_clock else f"{t:.1f}",
            "dp_mbar": f"{random.uniform(-1, 20):.3f}",
            "header_pa": f"{random.uniform(5e5, 6e5):.0f}",
            "flow_m3s": f"{random.uniform(0, 2):.3f}",
            "pulse_valve": random.choice(("", "0", "2")),
            "pulses": random.choice(("", "0", "1")),
        }
        row = [cells.get(name, random.choice("01")) for name in columns]
        for place, name in enumerate(columns):
            if random.random() < spoilt / len(columns):
                row[place] = random.choice(ODD[name])
        if random.random() < spoilt / 10:
            row = random.choice(([], row[:-1], [*row, "1"], ['"8', *row[1:]]))
        lines.append(",".join(row))
    return end.join(lines) + random.choice(("", end, end + end))


reached: Counter[str] = Counter()


@given(st.integers(0, 2**32), st.sampled_from([90, 700, 10_000]), st.sampled_from([20, 200]))
def _same_text(seed: int, block: int, small: int) -> None:
    raw = some_text(seed).encode()
    by_rows = read(Trace(lines_of(BytesIO(raw))))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_parquet, "_BLOCK_BYTES", block)
        patch.setattr(csv_parquet, "_SMALL_BYTES", small)
        kinds = Counter(type(each).__name__ for each in CsvTrace(BytesIO(raw)).samples())
        in_columns = read(CsvTrace(BytesIO(raw)))
    assert in_columns == by_rows
    reached.update(kinds)
    reached["pulses"] += len(by_rows[1].pulses)


def test_columns_and_rows_of_a_csv_file_are_the_same_to_the_bit() -> None:
    reached.clear()
    often = ("Columns", "BadRow", "PollCompleted", "pulses")
    explore(_same_text, 400, reached, dict.fromkeys(often, 300))


def as_frame(text: str) -> pl.DataFrame:
    frame = pl.read_csv(text.encode(), infer_schema_length=None)
    frame = frame.with_columns(pl.col("dp_pa").cast(pl.Float64))
    if frame["time"].dtype == pl.String:
        at = pl.col("time").map_elements(datetime.fromisoformat, pl.Datetime("us", "UTC"))
        frame = frame.with_columns(at)
    return frame


@given(st.integers(0, 2**32), st.sampled_from([7, 1000]), st.sampled_from([1, 500]))
def _same_parquet(seed: int, rows: int, small: int) -> None:
    random = Random(seed)
    by_clock = random.choice((True, False))
    t = [n * random.choice((1, 1, 1, 0)) + n for n in range(random.randint(1, 50))]
    texts = [f"{800 + random.random():.2f}" if random.random() < 0.9 else "" for _ in t]
    start = datetime(2026, 3, 1, tzinfo=UTC)
    times = [(start + timedelta(seconds=s)).isoformat() if by_clock else str(s) for s in t]
    rows_of = [f"{a},{b},{random.choice('01')}" for a, b in zip(times, texts, strict=True)]
    text = table("time,dp_pa,smoke", *rows_of)
    by_rows, _ = read(Trace(lines_of(BytesIO(text.encode()))))
    with pytest.MonkeyPatch.context() as patch, TemporaryDirectory() as directory:
        patch.setattr(csv_parquet, "_FIRST_ROWS", rows)
        patch.setattr(csv_parquet, "_ROWS", rows)
        patch.setattr(csv_parquet, "_SMALL_ROWS", small)
        path = Path(directory) / "trace.parquet"
        as_frame(text).write_parquet(path)
        with open_any(path) as trace:
            in_columns, _ = read(trace)
    bad = [(each.line - 1, each.column) for each in by_rows if isinstance(each, BadRow)]
    assert [each for each in in_columns if not isinstance(each, BadRow)] == [
        each for each in by_rows if not isinstance(each, BadRow)
    ]
    assert [(e.line, e.column) for e in in_columns if isinstance(e, BadRow)] == bad
    reached["parquet rows"] += len(in_columns)
    reached["parquet bad"] += len(bad)


def test_a_parquet_file_gives_the_samples_of_the_same_csv_file() -> None:
    reached.clear()
    explore(_same_parquet, 100, reached, {"parquet rows": 1000, "parquet bad": 50})


def parquet(bench: Bench, frame: pl.DataFrame) -> tuple[int, str, str]:
    _, chosen = bench.files("")
    path = bench.directory / "trace.parquet"
    frame.write_parquet(path)
    return bench.run(str(path), "--settings", chosen, "--json")


def test_replay_reads_parquet(bench: Bench) -> None:
    text = each_second(800, 1000, 1000, 740)
    code, out, _ = parquet(bench, as_frame(text))
    assert code == 0
    assert out.splitlines()[:-1] == [
        line
        for line in bench.run(*_csv(bench, text), "--json")[1].splitlines()
        if '"summary"' not in line
    ]


def _csv(bench: Bench, text: str) -> tuple[str, str, str]:
    recorded, chosen = bench.files(text)
    return recorded, "--settings", chosen


@pytest.mark.parametrize(
    ("frame", "told"),
    [
        (pl.DataFrame({"time": [NAIVE], "dp_pa": [1.0]}), "`time` has no time zone"),
        (pl.DataFrame({"time": ["2026-01-01"], "dp_pa": [1.0]}), "`time` is stored as String"),
        (pl.DataFrame({"time": [1], "dp_pa": ["1 Pa"]}), "`dp_pa` is stored as String"),
        (pl.DataFrame({"time": [1], "dp": [1.0]}), "unknown column 'dp'"),
        (
            pl.DataFrame({"time": [1, 1], "dp_pa": [1.0, 2.0]}),
            "row 2: time: '1.0': the same time as row 1: each",
        ),
        (
            pl.DataFrame({"time": [1], "dp_pa": [float("inf")]}),
            "row 1: dp_pa: 'inf': not a usable number: leave it empty",
        ),
    ],
)
def test_what_a_parquet_file_may_not_hold(bench: Bench, frame: pl.DataFrame, told: str) -> None:
    code, _, err = parquet(bench, frame)
    assert code == 2
    assert told in err


def test_parquet_that_begins_with_thousands_of_rows_without_a_time(bench: Bench) -> None:
    t_s = [None] * 3000 + [float(s) for s in range(600)]
    _, chosen = bench.files("")
    path = bench.directory / "trace.parquet"
    pl.DataFrame({"time": t_s, "dp_pa": [800.0] * len(t_s)}).write_parquet(path)
    code, _, err = bench.run(str(path), "--settings", chosen)
    assert code == 2
    assert "3000 rows cannot be used" in err
    code, out, _ = bench.run(str(path), "--settings", chosen, "--json", "--skip-bad-rows")
    assert code == 0
    summary = json.loads(out.splitlines()[-1])
    assert (summary["bad_rows"], summary["samples"], summary["duration_s"]) == (3000, 600, 599.0)


def test_a_file_that_only_ends_like_parquet(bench: Bench) -> None:
    _, chosen = bench.files("")
    path = bench.directory / "trace.parquet"
    path.write_bytes(b"time,dp_pa\n0,800\n")
    code, _, err = bench.run(str(path), "--settings", chosen)
    assert code == 2
    assert err.startswith(f"{path}: ")
    assert "name a Parquet file" in err


def test_without_the_extra_csv_is_read_row_by_row_and_parquet_is_refused(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded, chosen = bench.files(each_second(800, 1000, 740))
    fast = bench.run(recorded, "--settings", chosen, "--json")
    monkeypatch.setattr("dustcake_lab.traces.files.find_spec", lambda _name: None)
    assert bench.run(recorded, "--settings", chosen, "--json") == fast
    path = bench.directory / "trace.parquet"
    path.write_bytes(b"")
    code, _, err = bench.run(str(path), "--settings", chosen)
    assert (code, "needs the extra `analysis`" in err) == (2, True)
    with pytest.raises(TraceError, match="or write the trace as CSV"), open_any(path):
        pass
