"""Hours of the day on the clock of a time zone. When clocks change: directive 2000/84/EC (01:00 UTC
on the last Sundays of March and October); India's half an hour: the IANA database."""

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from core.driver import BASE
from dustcake.__main__ import main
from dustcake_lab.fit.bins import running_by_hour
from dustcake_lab.fit.data import (
    Clock,
    UnknownZoneError,
    gather,
    zone_named,
)
from dustcake_lab.study.study import days_to_simulate
from dustcake_lab.traces.samples import Columns
from traces.recorded import settings_text

BERLIN, KOLKATA = ZoneInfo("Europe/Berlin"), ZoneInfo("Asia/Kolkata")


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("utc", "zone", "hour"),
    [
        ("2026-03-29T00:59:59", BERLIN, 1),  # the last second of winter
        ("2026-03-29T01:00:00", BERLIN, 3),  # there is no hour 2 that night
        ("2026-10-25T00:59:59", BERLIN, 2),
        ("2026-10-25T01:00:00", BERLIN, 2),  # and here it comes twice
        ("2026-10-25T02:00:00", BERLIN, 3),
        ("2026-07-01T12:29:59", KOLKATA, 17),
        ("2026-07-01T12:30:00", KOLKATA, 18),
        ("2026-07-01T12:30:00", None, 12),
    ],
)
def test_the_hour(utc: str, zone: ZoneInfo | None, hour: int) -> None:
    begin = utc_s("2026-01-01T00:00:00")
    assert Clock(begin, zone).hours(np.array([0.0, utc_s(utc) - begin]))[1] == hour


def test_a_year_of_hours_is_what_the_library_says_of_each() -> None:
    """Every 37 minutes of a year, against ``datetime.astimezone``."""
    begin = utc_s("2026-01-01T00:00:00")
    t_s = np.arange(0.0, 365 * 86_400.0, 2220.0)
    wanted = [datetime.fromtimestamp(begin + t, UTC).astimezone(BERLIN) for t in t_s]
    assert Clock(begin, BERLIN).hours(t_s).tolist() == [each.hour for each in wanted]
    wall = [each.replace(tzinfo=UTC).timestamp() for each in wanted]
    assert Clock(begin, BERLIN).wall_s(t_s).tolist() == wall


def test_shifts_keep_their_hours_through_a_change_of_the_clock() -> None:
    """A blower that runs from 06:00 to 14:00 by the clock on the wall, over the change: in UTC its
    hours are blurred, in the zone they are sharp."""
    begin = utc_s("2026-03-22T23:00:00")  # midnight in Berlin
    t_s = np.arange(0.0, 14 * 86_400.0, 60.0)
    hour = [datetime.fromtimestamp(begin + t, BERLIN).hour for t in t_s]
    dp_pa = np.array([800.0 if 6 <= each < 14 else 0.0 for each in hour])
    columns = Columns(t_s, begin, dp_pa)
    here = running_by_hour(gather([columns], BASE, BERLIN))
    assert here.tolist() == ([0.0] * 6 + [1.0] * 8 + [0.0] * 10) * 15  # the last ends at 01:00
    there = running_by_hour(gather([columns], BASE)).reshape(-1, 24).mean(axis=0)
    assert there[5] == pytest.approx(1.0)
    assert 0.3 < there[4] < 0.7
    assert 0.3 < there[12] < 0.7


def test_days_without_work_stay_days_without_work() -> None:
    """Five days of two shifts and two days off, from a Monday 08:00 on: the hours of Monday that
    were not recorded come from Tuesday, and no hour is a part of one."""
    t_s = np.arange(8 * 3600.0, 14 * 86_400.0, 20.0)
    hour, day = t_s // 3600 % 24, t_s // 86_400 % 7
    dp_pa = np.where((hour >= 6) & (hour < 22) & (day < 5), 800.0, 0.0)
    begin = utc_s("2026-03-02T08:00:00")
    found = running_by_hour(gather([Columns(t_s - t_s[0], begin, dp_pa)], BASE))
    worked = [0.0] * 6 + [1.0] * 16 + [0.0] * 2
    assert found.tolist() == (worked * 5 + [0.0] * 48) * 2
    assert days_to_simulate(found) == found.tolist()
    assert days_to_simulate(np.roll(found, 48)) == (worked * 5 + [0.0] * 48) * 2


def test_a_trace_in_seconds_has_no_time_of_day() -> None:
    columns = Columns(np.arange(100.0), None, np.full(100, 800.0))
    with pytest.raises(UnknownZoneError, match="Europe/Berlin: the trace counts seconds"):
        gather([columns], BASE, BERLIN)
    assert gather([columns], BASE).clock.name == "the trace, from its first row"
    assert Clock(0.0).name == "UTC"
    assert Clock(0.0, BERLIN).name == "Europe/Berlin"


@pytest.mark.parametrize("name", ["Europe/Atlantis", "", "../etc/passwd", "Europe", "CET+1x"])
def test_an_unknown_zone(name: str) -> None:
    with pytest.raises(UnknownZoneError, match="is no time zone; write its name"):
        zone_named(name)


def test_a_system_without_time_zones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dustcake_lab.fit.data.available_timezones", set)
    with pytest.raises(UnknownZoneError, match="install the package tzdata"):
        zone_named("Europe/Atlantis")


def test_the_command_names_the_option(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chosen, trace = tmp_path / "plant.toml", tmp_path / "trace.csv"
    chosen.write_text(settings_text())
    trace.write_text("time,dp_pa,pulses\n0,800,0\n1,801,1\n2,700,0\n")
    options = ["study", str(trace), "--settings", str(chosen), "--flow", "1", "--time-zone"]
    assert main([*options, "Mars/Base"]) == 2
    assert "--time-zone 'Mars/Base' is no time zone" in capsys.readouterr().err
    assert main([*options, "Europe/Berlin"]) == 2
    assert "--time-zone Europe/Berlin: the trace counts seconds" in capsys.readouterr().err
