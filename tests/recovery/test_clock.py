"""The time of day not set, set later, and stepped by hours: control does not notice."""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from dustcake.adapters.store import History, RecordedEvent
from recovery.notified import Notified
from recovery.pulsing import INTERVAL_S, pulses_more, pulsing
from system_support import settings
from system_support.broker import until
from system_support.device import Device
from system_support.processes import Daemons, dustcake

NAME = "hall-1"


def events(tmp_path: Path) -> list[RecordedEvent]:
    with History(tmp_path / "journal.db") as history:
        return list(history.all_events(NAME, None, None))


async def test_not_set_at_the_start_and_set_later(
    tmp_path: Path,
    runs_off_by: Callable[[str], None],
    plant: Device,
    daemons: Daemons,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    manager = Notified(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(manager.path))
    runs_off_by("unset")
    file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing())
    daemon = await daemons.start(file)
    await pulses_more(plant, 2)
    assert (await daemon.status())["clock_set"] is False
    words = (await dustcake("status", "--settings", file)).out
    assert "clock not set: records carry no time of day until it is" in words
    await until(lambda: manager.status.endswith("clock not set"), "the status line to say so")
    runs_off_by("0")
    await pulses_more(plant, 2)
    assert (await daemon.status())["clock_set"] is True
    assert await daemon.terminate() == 0
    assert len(daemon.logged("clock not set")) == 1
    manager.close()
    found = events(tmp_path)
    undated = [one for one in found if one.utc_s is None]
    dated = [one for one in found if one.utc_s is not None]
    assert undated
    assert found == undated + dated
    assert all(one.found_utc_s is not None for one in undated)
    # The time found out later fits the times that were known.
    known = [one.found_utc_s if one.utc_s is None else one.utc_s for one in found]
    assert known == sorted(known, key=lambda utc_s: utc_s or 0.0)
    since = await dustcake("history", "--settings", file, "--json", "--since", "10min")
    assert [line["seq"] for line in since.lines] == [one.seq for one in found]


@pytest.mark.parametrize("hours", [-5, 7])
async def test_stepped_by_hours_while_cleaning(
    tmp_path: Path, runs_off_by: Callable[[str], None], plant: Device, daemons: Daemons, hours: int
) -> None:
    file = settings.write(
        tmp_path,
        settings.tcp_bus(plant.port),
        pulsing(),
    )
    daemon = await daemons.start(file)
    await pulses_more(plant, 3)
    runs_off_by(str(hours * 3600))
    await pulses_more(plant, 4)
    status = await daemon.status()
    assert status["quality"] == "good"
    assert status["alarms"] == []
    assert await daemon.terminate() == 0
    (told,) = daemon.logged("clock stepped")
    assert told["by_s"] == pytest.approx(hours * 3600, abs=2.0)
    found = events(tmp_path)
    assert [one.seq for one in found] == list(range(1, len(found) + 1))
    pulses = [one for one in found if one.name == "pulse"]
    gaps_s = [b.mono_s - a.mono_s for a, b in pairwise(pulses)]
    assert len(gaps_s) >= 6
    assert median(gaps_s) == pytest.approx(INTERVAL_S, abs=0.3)
    assert max(gaps_s) < 5.0, "far less than the step; a busy machine may delay one"
    times_s = [one.utc_s for one in pulses if one.utc_s is not None]
    assert len(times_s) == len(pulses)
    steps_s = [b - a for a, b in pairwise(times_s)]
    assert max(map(abs, steps_s)) > 4 * 3600
