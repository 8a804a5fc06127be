"""What `dustcake history --export` writes is what `dustcake replay` reads: the same decisions."""

import json
import math
from pathlib import Path
from typing import Any

import pytest

from dustcake.__main__ import main
from dustcake.adapters.store import SqliteStore
from dustcake.core.inputs import (
    Contacts,
    Measured,
    PollCompleted,
    ReadFailure,
    Restarted,
    Signal,
    Stamp,
)
from dustcake.core.inputs import FailureKind as Kind
from ports.store.driven import Driven
from settings.files import BUS, collector_text

UTC_S = 1_800_000_000.0
SAME_AS_DRIVEN = """
settle_s = 3
contacts.blower_running = { bus = "io", address = 90 }
"""


def reading(second: int) -> Signal:
    """Loads, is lost now and then, and falls while it is cleaned."""
    if second % 97 == 0:
        return ReadFailure(Kind.TIMEOUT, "no reply")
    phase = second % 300
    pa = 760.0 + phase if phase < 260 else 1020.0 - 8.0 * (phase - 260)
    return Measured(pa + 0.37 * math.sin(second))


async def lived(path: Path, *, clock: bool = True) -> None:
    """A quarter of an hour of a collector."""
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        for second in range(900):
            at = Stamp(second + 5.25, UTC_S + second if clock else None)
            if second == 0:
                await driven.take(Restarted(at))
            contacts = Contacts(blower_running=second % 700 < 600)
            await driven.take(PollCompleted(at, reading(second), contacts))
        await driven.flush()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "settings.toml"
    text = collector_text('display_unit = "Pa"\n' + SAME_AS_DRIVEN, name="bay-3")
    path.write_text(BUS + text + f'[journal]\npath = "{tmp_path}/journal.db"\n')
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(list(arguments))
    out, err = capsys.readouterr()
    return code, out, err


def replayed(capsys: pytest.CaptureFixture[str], trace: Path, file: Path) -> list[dict[str, Any]]:
    code, out, err = run(capsys, "replay", str(trace), "--settings", str(file), "--json")
    assert code == 0, err
    return [json.loads(line) for line in out.splitlines()]


@pytest.mark.parametrize("ending", ["csv", "parquet"])
@pytest.mark.parametrize("clock", [True, False])
async def test_there_and_back(
    file: Path, capsys: pytest.CaptureFixture[str], ending: str, clock: bool
) -> None:
    await lived(file.with_name("journal.db"), clock=clock)
    trace = file.with_name(f"trace.{ending}")
    code, out, _ = run(capsys, "history", "--settings", str(file), "--export", str(trace))
    assert (code, out) == (0, f"900 readings written to {trace}\n")
    again = replayed(capsys, trace, file)
    summary = again[-1]
    assert (summary["samples"], summary["lost_samples"]) == (900, 10)
    assert (summary["start_utc"] is not None) is clock
    of_journal = replayed(capsys, file.with_name("journal.db"), file)
    assert of_journal == again
    assert summary["pulses"] > 5
    assert [path.suffix for path in file.parent.glob("trace*")] == [f".{ending}"]


async def test_what_was_done_is_in_it(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await lived(file.with_name("journal.db"))
    trace = file.with_name("trace.csv")
    run(capsys, "history", "--settings", str(file), "--export", str(trace))
    heading, *rows = trace.read_text().splitlines()
    assert heading == "time,dp_pa,blower_running,pulse_valve,pulses,cleaning"
    cells = [row.split(",") for row in rows]
    assert rows[1].startswith("2027-01-15T08:00:01.000000Z,761.31")
    fired = [row[3] for row in cells if row[3]]
    _, out, _ = run(capsys, "history", "--settings", str(file), "--json")
    events = [json.loads(line) for line in out.splitlines()]
    assert fired == [str(each["valve"]) for each in events if each["event"] == "pulse"]
    changes = [a[5] for a, b in zip(cells[1:], cells, strict=False) if a[5] != b[5]]
    assert changes == [
        "1" if each["event"] == "cleaning_started" else "0"
        for each in events
        if each["event"].startswith("cleaning_st")
    ]


async def test_only_since_then(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await lived(file.with_name("journal.db"))
    trace = file.with_name("trace.csv")
    export = ["history", "--settings", str(file), "--export", str(trace), "--since"]
    code, out, _ = run(capsys, *export, "2027-01-15T08:10:00")
    assert (code, out) == (0, f"300 readings written to {trace}\n")
    trace.unlink()
    code, _, err = run(capsys, *export, "2027-01-16")
    assert (code, trace.exists()) == (2, False)
    assert "no reading of 'bay-3' in that time" in err


async def test_only_until_then(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await lived(file.with_name("journal.db"))
    trace = file.with_name("trace.csv")
    export = ["history", "--settings", str(file), "--export", str(trace)]
    between = ["--since", "2027-01-15T08:10:00", "--until", "2027-01-15T08:12:00"]
    code, out, _ = run(capsys, *export, *between)
    assert (code, out) == (0, f"121 readings written to {trace}\n")
    _, *rows = trace.read_text().splitlines()
    assert rows[0].startswith("2027-01-15T08:10:00.000000Z,")
    assert rows[-1].startswith("2027-01-15T08:12:00.000000Z,")
    trace.unlink()
    code, _, err = run(capsys, *export, "--until", "2027-01-14")
    assert (code, trace.exists()) == (2, False)
    assert "no reading of 'bay-3' in that time" in err


async def test_what_has_no_place_in_time_is_in_no_span_of_it(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As with events: nobody knows when that was."""
    await lived(file.with_name("journal.db"), clock=False)
    trace = file.with_name("trace.csv")
    export = ["history", "--settings", str(file), "--export", str(trace)]
    code, _, err = run(capsys, *export, "--until", "2030-01-01")
    assert (code, trace.exists()) == (2, False)
    assert "no reading of 'bay-3' in that time" in err


@pytest.mark.parametrize("options", [("--json",), ("--kind", "pulse"), ("--alarms", "--csv")])
async def test_what_is_about_events_is_not_about_a_trace(
    file: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...]
) -> None:
    await lived(file.with_name("journal.db"))
    to = file.with_name("trace.csv")
    code, _, err = run(capsys, "history", "--settings", str(file), "--export", str(to), *options)
    assert (code, to.exists()) == (2, False)
    named = ", ".join(each for each in options if each.startswith("--"))
    assert err.startswith(f"--export goes without {named}: a trace has all that was read")


async def test_a_file_that_cannot_be_written(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    await lived(file.with_name("journal.db"))
    to = file.parent / "nowhere" / "trace.csv"
    code, _, err = run(capsys, "history", "--settings", str(file), "--export", str(to))
    assert code == 2
    assert err.endswith("; name a file this user may write\n")


def test_a_file_that_would_not_open_as_what_it_is_called(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """CSV with the ending of a workbook is refused by spreadsheets (common practice, no source)."""
    to = file.with_name("trace.xlsx")
    with pytest.raises(SystemExit) as ended:
        main(["history", "--settings", str(file), "--export", str(to)])
    assert (ended.value.code, to.exists()) == (2, False)
    assert "name a file that ends in .csv or .parquet" in capsys.readouterr().err


def test_no_journal(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    to = file.with_name("trace.csv")
    code, _, err = run(capsys, "history", "--settings", str(file), "--export", str(to))
    assert (code, to.exists()) == (1, False)
    assert "journal.db" in err
