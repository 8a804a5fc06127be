"""`dustcake history`: alarms with their metrics, the log book, kinds, times and CSV."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

from dustcake.__main__ import main
from dustcake.adapters.store import SqliteStore
from dustcake.core.inputs import (
    Contacts,
    Measured,
    OperatorRequested,
    PollCompleted,
    Restarted,
    Stamp,
)
from dustcake.core.requests.kinds import (
    AlarmAction,
    Entry,
    HandleAlarm,
    RecordEntry,
    RecordFilterChange,
    Request,
)
from ports.store.driven import Driven
from settings.files import BUS, collector_text

UTC_S = 1_800_000_000.0
HIGH_PA = 1600.0


def at(second: float) -> Stamp:
    return Stamp(second, UTC_S + second)


async def lived(path: Path) -> None:
    """Ten minutes: outputs that never report, a minute of high dP, people who write things down."""
    asked: dict[int, Request] = {
        100: RecordFilterChange("spare set", (1,)),
        110: RecordEntry(Entry.NOTE, "=1+1 in the new hall"),
        120: HandleAlarm(AlarmAction.SHELVE, "low_dp", "trial", 60.0),
        130: RecordEntry(Entry.DRUM_EMPTIED),
    }
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        await driven.take(Restarted(at(0.0)))
        for second in range(1, 600, 3):
            dp = Measured(HIGH_PA if 200 <= second < 260 else 800.0)
            await driven.take(PollCompleted(at(second), dp, Contacts(blower_running=True)))
            for when in [when for when in asked if when <= second]:
                request = asked.pop(when)
                await driven.take(OperatorRequested(at(second), request, "fitter", f"r{when}"))


@pytest.fixture
async def file(tmp_path: Path) -> Path:
    path = tmp_path / "settings.toml"
    journal = f'[journal]\npath = "{tmp_path}/journal.db"\n'
    path.write_text(BUS + collector_text('display_unit = "Pa"', name="bay-3") + journal)
    await lived(tmp_path / "journal.db")
    return path


def told(capsys: pytest.CaptureFixture[str], file: Path, *options: str) -> str:
    capsys.readouterr()
    assert main(["history", "--settings", str(file), *options]) == 0
    return capsys.readouterr().out


def objects(capsys: pytest.CaptureFixture[str], file: Path, *options: str) -> list[dict[str, Any]]:
    out = told(capsys, file, "--json", *options)
    return [json.loads(line) for line in out.splitlines()]


UNTIL = "2027-01-15T08:10:00"


async def test_alarms_with_their_metrics(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    *changes, found = objects(capsys, file, "--alarms", "--until", UNTIL)
    assert {change["event"] for change in changes} == {"alarm"}
    assert found["event"] == "alarm_metrics"
    assert (found["from"], found["to"]) == ("2027-01-15T08:00:00.000Z", f"{UNTIL}.000Z")
    assert (found["raised"], found["per_hour"]) == (2, 12.0)
    high = next(each for each in found["alarms"] if each["alarm"] == "high_dp")
    assert (high["raised"], high["share"], high["state"]) == (1, 0.5, "returned")
    raised, returned = (c for c in changes if c["alarm"] == "high_dp")
    assert (raised["state"], returned["state"]) == ("unacknowledged", "returned")
    assert high["active_s"] == returned["mono_s"] - raised["mono_s"]


async def test_metrics_in_words(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, file, "--alarms", "--until", UNTIL)
    assert "raised             2: 12 an hour, 288 a day; target 6 an hour" in out
    assert "chattering         none" in out
    assert "bay-3 high_dp" in out
    assert "Targets: ISA-18.2, from secondary sources." in out


async def test_metrics_of_a_part_know_what_was_before(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ("--since", "2027-01-15T08:04:25", "--until", UNTIL)
    *changes, found = objects(capsys, file, "--alarms", *options)
    assert not [c for c in changes if (c["alarm"], c["state"]) == ("high_dp", "unacknowledged")]
    high = next(each for each in found["alarms"] if each["alarm"] == "high_dp")
    assert high["raised"] == 0
    assert high["active_s"] > 0, "it was active when the time looked at began"
    assert all(change["utc"] >= "2027-01-15T08:04:25" for change in changes)


async def test_nothing_happened_there_is_nothing_to_measure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "settings.toml"
    journal = f'[journal]\npath = "{tmp_path}/journal.db"\n'
    path.write_text(BUS + collector_text(name="bay-3") + journal)
    async with SqliteStore.open(tmp_path / "journal.db"):
        pass
    assert told(capsys, path, "--alarms") == ""


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--air",), "no compressed air on record yet: it is put on record once an hour\n"),
        (("--life",), "no forecast of filter life on record yet: the first needs a dozen"),
        (("--log", "--until", "2026-01-01"), "nothing of it on record in that time\n"),
    ],
)
async def test_why_nothing_is_printed(
    file: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], says: str
) -> None:
    assert main(["history", "--settings", str(file), *options]) == 0
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(says)
    assert told(capsys, file, "--json", *options) == ""
    assert capsys.readouterr().err == "", "a program sees an empty list"


async def test_the_log_book(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    entries = objects(capsys, file, "--log")
    assert [(e["event"], e.get("by")) for e in entries] == [
        ("started", None),
        ("filters_changed", "fitter"),
        ("log_entry", "fitter"),
        ("log_entry", "fitter"),
    ]
    assert (entries[1]["note"], entries[1]["valves"]) == ("spare set", [1])
    words = told(capsys, file, "--log")
    ran = "after 99 s of blower running time"
    changed = f'filters of row 1 changed {ran}, recorded by fitter, noting "spare set"'
    note, drum = "note by fitter: =1+1 in the new hall", "drum emptied, recorded by fitter"
    said = ["daemon started", changed, note, drum]
    assert [line.split(maxsplit=3)[3] for line in words.splitlines()] == said


async def test_csv_for_a_spreadsheet(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(told(capsys, file, "--log", "--csv"), newline="")))
    assert [(row["event"], row["by"]) for row in rows] == [
        ("started", ""),
        ("filters_changed", "fitter"),
        ("log_entry", "fitter"),
        ("log_entry", "fitter"),
    ]
    assert rows[1]["utc"].startswith("2027-01-15T08:01:4")
    assert rows[2]["what"] == "note by fitter: =1+1 in the new hall"
    everything = list(csv.reader(io.StringIO(told(capsys, file, "--csv"), newline="")))
    assert len(everything) > len(rows)
    assert {len(row) for row in everything} == {6}


async def test_kinds(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kinds = ("--kind", "pulse", "--kind", "cleaning_started")
    assert {one["event"] for one in objects(capsys, file, *kinds)} == {"pulse", "cleaning_started"}
    with pytest.raises(SystemExit) as ended:
        told(capsys, file, "--kind", "party")
    assert ended.value.code == 2


async def test_no_time_at_all_is_no_empty_list(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--since 1d --until 2d` is the wrong way round, and an empty answer would hide it."""
    times = ("--since", "1d", "--until", "2d")
    assert main(["history", "--settings", str(file), *times]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "--since is not before --until: there is no time between them; exchange them\n"


async def test_until(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    everything, early = objects(capsys, file), objects(capsys, file, "--until", UNTIL[:-3] + ":01")
    assert everything == objects(capsys, file, "--until", UNTIL)
    shorter = objects(capsys, file, "--until", "2027-01-15T08:02:00")
    assert 0 < len(shorter) < len(everything)
    assert everything[: len(shorter)] == shorter
    assert early
    assert all(one["utc"] <= "2027-01-15T08:02:00" for one in shorter)


def test_what_a_spreadsheet_would_take_for_a_formula_is_made_text() -> None:
    from dustcake.adapters.store import RecordedEvent
    from dustcake.cli.history import print_csv

    out = io.StringIO()
    entry = {"entry": "note", "note": "x", "upkeep": "", "by": "=HYPERLINK(1)"}
    event = RecordedEvent("bay-3", 1, 1, UTC_S, 0.0, "log_entry", entry)
    unknown = RecordedEvent("bay-3", 2, 1, None, 2.0, "tea_time", {"cups": 2}, UTC_S)
    print_csv([event, unknown], {}, out)
    rows = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    assert rows[0]["by"] == "'=HYPERLINK(1)"
    assert (rows[1]["utc"], rows[1]["what"]) == ("2027-01-15T08:00:00.000Z~", "tea time: cups 2")
