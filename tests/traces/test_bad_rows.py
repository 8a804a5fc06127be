"""What cannot be used is named by its line, and nothing is dropped silently."""

import pytest

from traces.recorded import HEADER, SMOKE, Bench, each_second, settings_text, table

GOOD = "time,dp_pa\n0,800\n1,800\n"


@pytest.mark.parametrize(
    ("why", "rows", "line", "column", "problem"),
    [
        ("a word for a dP", ["0,800", "1,high"], 3, "dp_pa", "not a number: write it like 3.9"),
        ("with its unit", ["0,800", "1,800 Pa"], 3, "dp_pa", "without unit"),
        ("NaN", ["0,800", "1,nan"], 3, "dp_pa", "not a usable number"),
        ("endless", ["0,800", "1,-inf"], 3, "dp_pa", "not a usable number"),
        ("beyond any pressure", ["0,800", "1,1e300"], 3, "dp_pa", "not a usable number"),
        ("a separator of thousands", ["0,800", "1,1_000"], 3, "dp_pa", "not a usable number"),
        ("a decimal comma", ["0,800", "1,3,9"], 3, "row", "the decimal sign is a point"),
        ("a cell too few", ["0,800", "1"], 3, "row", "the header has 2"),
        ("the same time twice", ["0,800", "1,800", "1,800"], 4, "time", "same time as line 3"),
        ("back in time", ["0,800", "5,800", "4,800"], 4, "time", "earlier than line 3"),
        ("years later", ["0,800", "31700000,800"], 3, "time", "366 days after line 2: correct"),
        ("no time", ["0,800", ",800"], 3, "time", "not a time"),
        ("milliseconds", ["1772000000000,800"], 2, "time", "write seconds (milliseconds"),
        ("an endless time", ["0,800", "inf,800"], 3, "time", "not a usable number"),
        ("a huge time", ["1e300,800"], 2, "time", "not a usable number"),
        ("a clock time", ["08:00,800"], 2, "time", "write ISO 8601 with zone"),
        ("no zone", ["2026-03-01T08:00:00,800"], 2, "time", "no zone: add Z for UTC"),
        ("a date alone", ["2026-03-01,800"], 2, "time", "no zone"),
        ("before all clocks", ["1969-12-31T23:59:59Z,800"], 2, "time", "years 1970 and 2999"),
        ("after all clocks", ["3000-01-01T00:00:00Z,800"], 2, "time", "years 1970 and 2999"),
        ("year one, east", ["0001-01-01T00:00:00+14:00,800"], 2, "time", "years 1970 and 2999"),
        ("year 9999, west", ["9999-12-31T23:59:59-14:00,800"], 2, "time", "years 1970 and 2999"),
        ("a 13th month", ["2026-13-01T00:00:00Z,800"], 2, "time", "not a time"),
        (
            "an ISO time among seconds",
            ["0,800", "2026-03-01T08:00:00Z,800"],
            3,
            "time",
            "an ISO 8601 time among seconds",
        ),
        (
            "seconds among ISO times",
            ["2026-03-01T08:00:00Z,800", "1,800"],
            3,
            "time",
            "seconds among ISO 8601 times",
        ),
        (
            "a second form that is none",
            ["2026-03-01T08:00:00Z,800", "soon,800"],
            3,
            "time",
            "write ISO 8601 with zone",
        ),
        ("an empty line between rows", ["0,800", "", "", "1,800"], 3, "row", "remove the line"),
        ("a quotation mark not closed", ["0,800", '1,"800', "2,800"], 3, "dp_pa", "not a number"),
        ("bytes that are no text", ["0,800", "1,\x00"], 3, "dp_pa", "not a number"),
    ],
)
def test_a_row_that_cannot_be_used_is_named_and_the_trace_refused(
    bench: Bench, why: str, rows: list[str], line: int, column: str, problem: str
) -> None:
    replayed = bench.replay(table("time,dp_pa", *rows))
    assert replayed.code == 2, why
    bad, refused = replayed.objects
    assert (bad["event"], bad["line"], bad["column"]) == ("bad_row", line, column), why
    assert problem in bad["problem"], why
    assert refused == {"event": "refused", "bad_rows": 1}
    first, last = replayed.errors.splitlines()
    assert first.startswith(f"line {line}: {column}: "), why
    assert problem in first
    assert last.startswith("1 row cannot be used; correct it, or add --skip-bad-rows")


@pytest.mark.parametrize(
    ("header", "row", "column"),
    [
        ("time,dp_pa,blower_running", "1,800,yes", "blower_running"),
        ("time,dp_pa,smoke", "1,800,2", "smoke"),
        ("time,dp_pa,header_pa", "1,800,6 bar", "header_pa"),
        ("time,dp_pa,flow_m3s", "1,800,fast", "flow_m3s"),
    ],
)
def test_columns_that_no_decision_rests_on_are_checked_all_the_same(
    bench: Bench, header: str, row: str, column: str
) -> None:
    (bad, _) = bench.replay(table(header, row)).objects
    assert (bad["line"], bad["column"]) == (2, column)


def test_a_refused_trace_leaves_no_event_behind(bench: Bench) -> None:
    replayed = bench.replay(each_second(800, 1100, 1100, 700, "x", 1100, 1100))
    assert [each["event"] for each in replayed.objects] == ["bad_row", "refused"]


def test_only_the_first_twenty_are_listed_and_the_rest_counted(bench: Bench) -> None:
    replayed = bench.replay(each_second(800, *["x"] * 25))
    assert len(replayed.of("bad_row")) == 20
    assert replayed.objects[-1] == {"event": "refused", "bad_rows": 25}
    *listed, more, remedy = replayed.errors.splitlines()
    assert [line.split(":")[0] for line in listed] == [f"line {n}" for n in range(3, 23)]
    assert more == "... and 5 more"
    assert remedy.startswith("25 rows")


def test_bad_rows_that_are_skipped_count_as_lost_samples_where_their_time_is_good(
    bench: Bench,
) -> None:
    rows = ("0,800", "1,x", "1,800", "y,800", "2,1000,3", "3,1000")
    replayed = bench.replay(table("time,dp_pa", *rows), "--skip-bad-rows")
    assert replayed.code == 0
    assert [each["line"] for each in replayed.of("bad_row")] == [3, 4, 5, 6]
    assert [each["line"] for each in replayed.of("bad_row")] == [
        int(line.split(":")[0].removeprefix("line ")) for line in replayed.errors.splitlines()
    ]
    assert replayed.when("quality_changed") == [
        (0, "quality_changed"),
        (1, "quality_changed"),
        (3, "quality_changed"),
    ]
    assert "line 3 of the trace cannot be used" in replayed.of("quality_changed")[1]["reasons"][0]
    assert replayed.when("cleaning_started") == [(3, "cleaning_started")]
    summary = replayed.summary
    assert (summary["samples"], summary["lost_samples"], summary["bad_rows"]) == (3, 1, 4)


def test_the_first_row_that_can_be_used_begins_the_trace(bench: Bench) -> None:
    rows = ("soon,800", "2026-03-01T08:00:00Z,800", "2026-03-01T08:00:02Z,1000")
    replayed = bench.replay(table("time,dp_pa", *rows), "--skip-bad-rows")
    assert replayed.of("started")[0]["utc"] == "2026-03-01T08:00:00.000Z"
    assert replayed.when("cleaning_started") == [(2, "cleaning_started")]


def test_a_contact_stays_as_it_was_through_a_row_that_cannot_be_used(bench: Bench) -> None:
    settings = settings_text(SMOKE)
    rows = ("0,800,1", "1,x,0", "2,800,0")
    replayed = bench.replay(table("time,dp_pa,smoke", *rows), "--skip-bad-rows", settings=settings)
    assert [(e["t_s"], e["state"]) for e in replayed.of("alarm")] == [
        (0, "unacknowledged"),
        (2, "returned"),
    ]


def test_header_pressure_is_lost_with_its_row(bench: Bench) -> None:
    settings = settings_text(HEADER)
    rows = (f"{t},{'x' if t > 2 else 800},600000" for t in range(40))
    replayed = bench.replay(
        table("time,dp_pa,header_pa", *rows), "--skip-bad-rows", settings=settings
    )
    assert replayed.summary["alarms_by_name"] == {
        "header_transmitter_fault": 1,
        "transmitter_fault": 1,
    }


def test_a_quotation_mark_that_is_never_closed_cannot_swallow_a_file_unnoticed(
    bench: Bench,
) -> None:
    rows = [f"{t},{800 + t % 7}.000" for t in range(20_000)]
    rows[10] = '10,"800'
    replayed = bench.replay(table("time,dp_pa", *rows), "--skip-bad-rows")
    first = replayed.of("bad_row")[0]
    assert (first["line"], first["column"]) == (12, "row")
    assert "is a quotation mark not closed?" in first["problem"]
    swallowed = int(first["value"].removeprefix("up to line ")) - first["line"] + 1
    bad_rows = replayed.summary["bad_rows"]
    assert replayed.summary["samples"] + swallowed + bad_rows - 1 == 20_000


@pytest.mark.parametrize(
    ("why", "trace", "problem"),
    [
        ("nothing in it", b"", "the file is empty"),
        ("a header alone", b"time,dp_pa\n", "no row that can be used after the header"),
        ("an empty first line", b"\ntime,dp_pa\n0,800\n", "no header of a trace"),
        ("no header", b"0,800\n1,800\n", "no header of a trace"),
        ("semicolons", b"time;dp_pa\n0;800\n", "cells are separated by commas"),
        ("16-bit text", "time,dp_pa\n".encode("utf-16"), "no header of a trace"),
        ("not text at all", bytes(range(256)) * 9, "no header of a trace"),
        ("one endless line", b"time,dp_pa\n0," + b"8" * 70_000, "line 2 has no end"),
        ("a quotation mark", b'"time,dp_pa\n' + b"0,800\n" * 30_000, "line 1: not CSV: field lar"),
        ("no time", b"dp_pa,smoke\n800,0\n", "no column `time`"),
        ("no dP", b"time,smoke\n0,0\n", "no dP column; keep exactly one of dp_pa, dp_inh2o"),
        ("two dP", b"time,dp_pa,dp_mbar\n0,800,8\n", "more than one dP column (dp_pa, dp_mbar)"),
        ("a column twice", b"time,dp_pa,dp_pa\n0,800,800\n", "column `dp_pa` twice; remove one"),
        ("an unknown column", b"time,dp_pa,temp\n0,800,21\n", "unknown column 'temp'; rename or"),
        (
            "three of them",
            b"Time,dp_pa,a,b\n",
            "unknown columns 'Time', 'a', 'b'; rename or remove",
        ),
        ("capitals", b"Time,dp_pa\n0,800\n", "unknown column 'Time'; rename or remove it; known"),
    ],
)
@pytest.mark.parametrize("options", [(), ("--skip-bad-rows",)])
def test_a_file_that_is_no_trace_is_refused_whole(
    bench: Bench, why: str, trace: bytes, problem: str, options: tuple[str, ...]
) -> None:
    replayed = bench.replay(trace, *options)
    assert (replayed.code, replayed.of("summary")) == (2, []), why
    assert problem in replayed.errors, why
    assert "trace.csv: " in replayed.errors


def test_a_trace_of_bad_rows_only_is_no_trace(bench: Bench) -> None:
    replayed = bench.replay("time,dp_pa\nx,800\n", "--skip-bad-rows")
    assert replayed.code == 2
    assert "no row that can be used" in replayed.errors
