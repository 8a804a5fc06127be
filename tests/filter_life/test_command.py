"""The command `life`, as it is called, on traces made here."""

import json
from collections.abc import Iterable
from math import exp
from pathlib import Path
from random import Random
from typing import Any

import polars as pl
import pytest

from dustcake.__main__ import main

END_S = 2000.0


def clogging(until_s: float = 2400.0, every_s: float = 1.0) -> list[tuple[float, float]]:
    """Time and dP of a filter never cleaned: 100 Pa, and 600 Pa at its end after 2000 s."""
    rng, rows = Random(8), []
    for i in range(int(until_s / every_s)):
        t_s = i * every_s
        rows.append((t_s, 100.0 + 500.0 * (exp(2 * t_s / END_S) - 1) / (exp(2) - 1)))
    return [(t_s, pa + rng.gauss(0.0, 4.0)) for t_s, pa in rows]


def written(tmp_path: Path, header: str, rows: Iterable[Iterable[object]]) -> str:
    file = tmp_path / "trace.csv"
    file.write_text("\n".join([header, *(",".join(map(str, row)) for row in rows)]) + "\n")
    return str(file)


def told(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, Any]]:
    assert main(["life", *arguments, "--json"]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_ranges_hold_what_the_rest_of_the_trace_shows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = written(tmp_path, "time,dp_pa", clogging())
    *forecasts, summary = told(capsys, file, "--limit", "600 Pa", "--at", "25", "50", "75", "100")
    for one in forecasts[:3]:
        assert one["outlook"] == "range"
        remaining_s = END_S - one["t_s"]
        assert one["remaining_low_s"] <= remaining_s <= one["remaining_high_s"]
        assert one["confidence"] == 0.8
    assert forecasts[3]["outlook"] == "reached"
    assert summary["reached_s"] == pytest.approx(END_S, abs=20.0)
    assert (summary["event"], summary["samples"], summary["bad_rows"]) == ("summary", 2400, 0)


def test_what_comes_later_says_nothing_of_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A forecast in the middle of a trace is the one at the end of a trace that stops there."""
    file = written(tmp_path, "time,dp_pa", clogging())
    whole = told(capsys, file, "--limit", "600Pa", "--at", "50")
    half = told(capsys, written(tmp_path, "time,dp_pa", clogging(1200.0)), "--limit", "600Pa")
    assert whole[0]["remaining_low_s"] == pytest.approx(half[0]["remaining_low_s"], rel=0.1)
    assert whole[0]["remaining_high_s"] == pytest.approx(half[0]["remaining_high_s"], rel=0.1)


def test_dp_is_brought_to_the_reference_flow(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The damper is half shut from 700 s on: dP halves and the filter is none the better."""
    rows = [
        (t_s, pa * (0.5 if t_s > 700 else 1.0), 0.6 if t_s > 700 else 1.2)
        for t_s, pa in clogging(1000.0)
    ]
    with_flow = told(capsys, written(tmp_path, "time,dp_pa,flow_m3s", rows), "--limit", "600Pa")
    plain = told(capsys, written(tmp_path, "time,dp_pa", clogging(1000.0)), "--limit", "600Pa")
    assert with_flow[1]["reference_flow_m3_s"] == 1.2
    assert with_flow[0]["dp_pa"] == pytest.approx(plain[0]["dp_pa"], rel=0.02)
    assert with_flow[0]["remaining_low_s"] == pytest.approx(plain[0]["remaining_low_s"], rel=0.02)
    file = written(tmp_path, "time,dp_pa,flow_m3s", rows)
    doubled = told(capsys, file, "--limit", "1200Pa", "--flow", "2.4")
    assert doubled[0]["dp_pa"] == pytest.approx(2 * with_flow[0]["dp_pa"], rel=1e-3)


def test_time_without_the_blower_and_samples_without_dp_or_flow_do_not_count(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows: list[tuple[object, ...]] = []
    for t_s, pa in clogging(1000.0):
        rows.append((2 * t_s, pa if t_s % 7 else "", 1.2 if t_s % 5 else 0.0, 1))
        rows.append((2 * t_s + 1, 3.0, 0.0, 0))
    header = "time,dp_pa,flow_m3s,blower_running"
    one, summary = told(capsys, written(tmp_path, header, rows), "--limit", "600Pa")
    assert one["t_s"] == pytest.approx(1000.0, abs=2.0)
    assert one["remaining_low_s"] <= 1000.0 <= one["remaining_high_s"]
    assert summary["without_dp_or_flow"] == 1000 + 200 + 143 - 29


def test_of_a_cleaned_collector_what_cleaning_left(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [(t_s * 60, pa + 300.0 * (i % 4 / 4)) for i, (t_s, pa) in enumerate(clogging(1000.0))]
    (one, _) = told(capsys, written(tmp_path, "time,dp_pa", rows), "--limit", "600Pa", "--cleaned")
    plain = told(capsys, written(tmp_path, "time,dp_pa", clogging(1000.0)), "--limit", "600Pa")
    assert one["outlook"] == "range"
    assert one["dp_pa"] == pytest.approx(plain[0]["dp_pa"], abs=15.0)


def test_parquet_says_the_same_as_csv(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [(t_s, round(pa, 3), 1.2) for t_s, pa in clogging(1000.0)]
    by_csv = told(capsys, written(tmp_path, "time,dp_pa,flow_m3s", rows), "--limit", "600Pa")
    frame = pl.DataFrame(rows, schema=["time", "dp_pa", "flow_m3s"], orient="row")
    frame.write_parquet(tmp_path / "trace.parquet")
    (by_parquet, _) = told(capsys, str(tmp_path / "trace.parquet"), "--limit", "600Pa")
    # The first row decides on the form of all times; it is read apart, without its flow.
    for name in ("remaining_low_s", "remaining_high_s", "dp_pa"):
        assert by_parquet[name] == pytest.approx(by_csv[0][name], rel=0.01)


def test_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = written(tmp_path, "time,dp_pa,flow_m3s", [(*row, 1.2) for row in clogging(1000.0)])
    assert main(["life", file, "--limit", "2.4 inH2O", "--at", "1", "100"]) == 0
    first, last, *rest = capsys.readouterr().out.splitlines()
    assert first.startswith("after 1 % (9.99 s): not enough data yet")
    assert last.startswith("after 100 % (16.7 min): ")
    assert " remain (80 % confidence); dP 0.93 inH2O" in last
    assert rest == [
        "1000 samples over 16.6 min; in them 2.4 inH2O is not reached",
        "dP is stated at 1.2 m3/s",
    ]


def test_an_open_end_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = Random(1)
    file = written(tmp_path, "time,dp_pa", [(i, 300 + rng.gauss(0, 9)) for i in range(1000)])
    assert main(["life", file, "--limit", "600Pa"]) == 0
    assert ": more than " in capsys.readouterr().out


@pytest.mark.parametrize(
    ("rows", "options", "problem"),
    [
        ([(0, 1), (1, 2)], ["--limit", "600"], "it has no unit"),
        ([(0, 1), (1, 2)], ["--limit", "-1 Pa"], "above zero"),
        ([(0, 1), (1, 2)], ["--limit", "600Pa", "--at", "0"], "a percentage"),
        ([(0, 1), (1, 2)], ["--limit", "600Pa", "--flow", "none"], "a flow in m3/s (above 0"),
    ],
)
def test_options_that_are_not_in_order(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    rows: list[tuple[int, int]],
    options: list[str],
    problem: str,
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["life", written(tmp_path, "time,dp_pa", rows), *options])
    assert ended.value.code == 2
    assert problem in capsys.readouterr().err


@pytest.mark.parametrize(
    ("header", "rows", "problem"),
    [
        ("time,dp_pa", [], "no row that can be used"),
        ("time,dp_pa", [(0, 500)], "nothing can be said"),
        ("time,dp_pa", [(0, ""), (1, "")], "nothing can be said"),
        ("time,dp_pa,flow_m3s", [(0, 5, 0), (1, 5, 0)], "shows no flow"),
        ("time,dp_pa", [(0, 500), (1, "much")], "line 3: dp_pa"),
        ("time,mood", [(0, 500)], "unknown column 'mood'"),
    ],
)
def test_traces_that_are_not_in_order(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    header: str,
    rows: list[tuple[object, ...]],
    problem: str,
) -> None:
    assert main(["life", written(tmp_path, header, rows), "--limit", "600Pa"]) == 2
    assert problem in capsys.readouterr().err


def test_bad_rows_are_named_and_left_out_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows: list[tuple[object, ...]] = [*clogging(1000.0), *[(2000 + i, "x") for i in range(25)]]
    file = written(tmp_path, "time,dp_pa", rows)
    assert main(["life", file, "--limit", "600Pa"]) == 2
    err = capsys.readouterr().err.splitlines()
    assert err[-2:] == [
        "... and 5 more",
        "25 rows cannot be used; correct them, or add --skip-bad-rows to use the rest",
    ]
    assert told(capsys, file, "--limit", "600Pa", "--skip-bad-rows")[-1]["bad_rows"] == 25


def test_a_trace_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["life", str(tmp_path / "none.csv"), "--limit", "600Pa"]) == 2
    assert "name a CSV file this user may read" in capsys.readouterr().err
