"""`dustcake history`, on the journal of a running daemon and on one that lies still."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from dustcake.__main__ import main
from dustcake.adapters.store import SqliteStore
from dustcake.core.inputs import Contacts, Measured, PollCompleted, Restarted, Stamp
from ports.store.driven import Driven
from recovery.pulsing import pulsing
from settings.files import BUS, collector_text
from system_support import settings
from system_support.broker import until
from system_support.device import Device
from system_support.processes import Daemons, dustcake

UTC_S = 1_800_000_000.0


async def lived(path: Path, *, offset_s: float | None = UTC_S) -> None:
    """A journal of some pulses."""
    async with SqliteStore.open(path) as store:
        driven = Driven(store)
        await driven.take(Restarted(Stamp(0.0, offset_s)))
        for second in range(1, 60):
            at = Stamp(float(second), None if offset_s is None else offset_s + second)
            await driven.take(PollCompleted(at, Measured(1200.0), Contacts(blower_running=True)))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "settings.toml"
    journal = f'[journal]\npath = "{tmp_path}/journal.db"\n'
    path.write_text(BUS + collector_text('display_unit = "Pa"', name="bay-3") + journal)
    return path


def ran(capsys: pytest.CaptureFixture[str], file: Path, *options: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(["history", "--settings", str(file), *options])
    out, err = capsys.readouterr()
    return code, out, err


async def test_in_words_and_as_json(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await lived(file.with_name("journal.db"))
    code, out, _ = ran(capsys, file)
    assert code == 0
    lines = out.splitlines()
    assert lines[0].startswith("2027-01-15T08:00:00.000Z")
    assert "started" in lines[0]
    assert any("valve 2 pulsed for" in line and "no. 1" in line for line in lines)
    assert any("cleaning on demand started" in line and "high set point" in line for line in lines)
    _, out, _ = ran(capsys, file, "--json")
    objects = [json.loads(line) for line in out.splitlines()]
    assert [one["seq"] for one in objects] == list(range(1, len(lines) + 1))
    pulse = next(one for one in objects if one["event"] == "pulse")
    assert pulse["valve"] == 2
    assert pulse["dp_pa"] == 1200.0
    assert pulse["start"] == 1


async def test_what_is_chosen(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await lived(file.with_name("journal.db"))
    _, everything, _ = ran(capsys, file, "--json")
    _, later, _ = ran(capsys, file, "--json", "--since", "2027-01-15T08:00:30")
    assert 0 < len(later.splitlines()) < len(everything.splitlines())
    assert everything.endswith(later)
    assert all(json.loads(line)["utc"] >= "2027-01-15T08:00:30" for line in later.splitlines())
    _, zoned, _ = ran(capsys, file, "--json", "--since", "2027-01-15T10:00:30+02:00")
    assert zoned == later
    _, alarms, _ = ran(capsys, file, "--json", "--alarms")
    told = [json.loads(line)["event"] for line in alarms.splitlines()]
    assert set(told[:-1]) <= {"alarm"}
    assert told[-1] == "alarm_metrics"
    code, out, _ = ran(capsys, file, "--collector", "bay-3", "--since", "1s")
    assert code == 0
    # The journal's times lie in the future, so they are since a second ago too.
    assert len(out.splitlines()) == len(everything.splitlines())


async def test_before_the_clock_was_set(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await lived(file.with_name("journal.db"), offset_s=None)
    _, out, _ = ran(capsys, file)
    assert out.splitlines()[0].startswith("start 1, 0.0 s")
    _, out, _ = ran(capsys, file, "--json")
    assert json.loads(out.splitlines()[0])["utc"] is None


async def test_an_event_of_another_version(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal = file.with_name("journal.db")
    await lived(journal)
    with closing(sqlite3.connect(journal)) as connection, connection:
        connection.execute("UPDATE events SET name = 'tea_time', body = '{\"cups\": 2}'")
    _, out, _ = ran(capsys, file)
    assert "tea time" in out.splitlines()[0]
    assert "cups 2" in out


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (
            ["--collector", "tower"],
            2,
            "--collector tower: no such collector in the settings",
        ),
        ([], 1, "journal.db does not exist; name the daemon's journal file"),
    ],
)
def test_what_cannot_be_told(
    file: Path, capsys: pytest.CaptureFixture[str], options: list[str], code: int, says: str
) -> None:
    found, out, err = ran(capsys, file, *options)
    assert (found, out) == (code, "")
    assert says in err


def test_a_time_that_is_none(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        ran(capsys, file, "--since", "yesterday")
    assert ended.value.code == 2
    assert "'yesterday' is no time: give how long ago" in capsys.readouterr().err


async def test_while_the_daemon_runs(tmp_path: Path, plant: Device, daemons: Daemons) -> None:
    file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing())
    daemon = await daemons.start(file)
    await until(lambda: sum(plant.unit.pulses) >= 2, "two pulses")
    told = await dustcake("history", "--settings", file, "--json")
    assert told.code == 0
    assert [line["seq"] for line in told.lines] == list(range(1, len(told.lines) + 1))
    assert "pulse" in {line["event"] for line in told.lines}
    assert await daemon.terminate() == 0
