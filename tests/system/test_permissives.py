"""Smoke, door, header, blower: what ends a cleaning, what only withholds it, and the zero."""

from pathlib import Path
from typing import Any

import pytest

from system_support import settings
from system_support.broker import until
from system_support.device import Device, device, scenario
from system_support.processes import Daemon, Daemons, dustcake

DIRTY = scenario(0.45)
CLEAN = scenario(0.1)


def plant_file(directory: Path, plant: Device, *, on_off: bool = False, **over: Any) -> Path:
    table = settings.merged(settings.valves_on_off(0.3) if on_off else {}, over)
    return settings.write(directory, settings.tcp_bus(plant.port), settings.collector(**table))


async def polls(plant: Device, count: int) -> None:
    """Return when the daemon has read the device so often; each poll is two requests."""
    until_requests = plant.server.exchange.requests + 2 * count
    await until(lambda: plant.server.exchange.requests >= until_requests, f"{count} polls", 40)


async def missing(daemon: Daemon) -> list[str]:
    return [p["name"] for p in (await daemon.status())["permissives"] if p["met"] == "no"]


@pytest.mark.parametrize("contact", ["smoke", "door_open"])
async def test_smoke_or_an_open_door_ends_the_pulse_under_way_and_the_run(
    tmp_path: Path, daemons: Daemons, contact: str
) -> None:
    async with device(DIRTY) as plant:
        file = plant_file(tmp_path, plant, on_off=True, poll_s=0.1)
        daemon = await daemons.start(file)
        await until(lambda: sum(plant.unit.pulses) >= 1, "a cleaning")
        await until(lambda: plant.unit.energised, "a pulse under way")
        plant.unit.force("contact", contact=contact, closed=True)
        await until(lambda: not plant.unit.energised, "its end")
        pulses = sum(plant.unit.pulses)
        await polls(plant, 12)
        assert sum(plant.unit.pulses) == pulses
        status = await daemon.status()
        assert status["cleaning"] is None
        assert len(await missing(daemon)) == 1
        assert ("smoke" in status["alarms"]) == (contact == "smoke")
        words = await status_in_words(daemon)
        assert "missing:" in words

        plant.unit.force("contact", contact=contact, closed=False)
        await until(lambda: sum(plant.unit.pulses) > pulses, "cleaning from the high set point on")
        assert plant.unit.two_at_once == 0


async def status_in_words(daemon: Daemon) -> str:
    done = await dustcake("status", "--settings", daemon.settings)
    assert done.code == 0, done.err
    return done.out


async def test_low_header_pressure_withholds_pulses_and_the_run_goes_on_afterwards(
    tmp_path: Path, daemons: Daemons
) -> None:
    quick = {"alarms": {"override": {"header_pressure_low": {"on_delay_s": 0.5}}}}
    async with device(DIRTY) as plant:
        over = settings.merged(settings.header(), quick)
        daemon = await daemons.start(plant_file(tmp_path, plant, **over))
        await until(lambda: sum(plant.unit.pulses) >= 1, "a cleaning")
        plant.unit.force("header_supply", gauge_pa=100_000.0, blow_down=True)
        await daemon.alarm_comes("header_pressure_low")
        pulses = sum(plant.unit.pulses)
        await polls(plant, 12)
        assert sum(plant.unit.pulses) == pulses
        status = await daemon.status()
        assert status["cleaning"] == "on_demand", "the run is not ended"
        assert len(await missing(daemon)) == 1
        plant.unit.force("header_supply", gauge_pa=620_000.0)
        await until(lambda: sum(plant.unit.pulses) > pulses, "the run to go on")


@pytest.mark.parametrize("mode", ["on_demand", "timed"])
async def test_no_pulse_with_the_blower_off(tmp_path: Path, daemons: Daemons, mode: str) -> None:
    async with device(DIRTY) as plant:
        plant.unit.force("blower", running=False)
        daemon = await daemons.start(plant_file(tmp_path, plant, cleaning={"mode": mode}))
        await polls(plant, 15)
        assert sum(plant.unit.pulses) == 0
        assert "blower" in (await daemon.status())["reason"]
        plant.unit.force("blower", running=True)
        await until(lambda: sum(plant.unit.pulses) >= 1, "a pulse once it runs")


async def test_timed_mode_pulses_every_15_s(tmp_path: Path, daemons: Daemons) -> None:
    """The device's own clock says when each valve went on."""
    async with device(DIRTY) as plant:
        over: settings.Table = {
            "cleaning": {"timed_interval_s": 15.0},
            "pulsing": {"interval_s": 14.0},
        }
        daemon = await daemons.start(plant_file(tmp_path, plant, **over))
        await until(lambda: sum(plant.unit.pulses) >= 1, "a pulse on demand", 40)
        first_s = plant.unit.machine.t_s
        assert (await daemon.request("mode", "timed")).code == 0
        await until(lambda: sum(plant.unit.pulses) >= 2, "the next, timed")
        assert plant.unit.machine.t_s - first_s == pytest.approx(15.0, abs=0.8)
        assert plant.unit.pulses == [0, 1, 0, 1], "valves 2 and 4"


async def test_the_zero_is_refused_with_flow_and_taken_without(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(scenario(0.1, blower=False)) as plant:
        plant.unit.force("zero_drift", offset_pa=8.0)
        zeroing = {"average_s": 1.0, "blower_off_s": 3.0, "limit": "30 Pa"}
        file = plant_file(tmp_path, plant, zeroing=zeroing)
        daemon = await daemons.start(file)
        plant.unit.force("blower", running=True)
        await daemon.status_when(lambda s: s["blower_running"] is True, "the blower to be seen")
        refused = await daemon.request("zero")
        assert refused.code == 1
        assert "refused: the blower must be proved off" in refused.out

        plant.unit.force("blower", running=False)
        # The blower spins down and dP with it; then what is read is hardly more than the drift.
        await until(lambda: plant.unit.machine.point.dp_pa < 1.0, "still air", 60)
        accepted = await daemon.request("--json", "zero")
        assert accepted.code == 0, accepted.out
        assert accepted.lines[0]["accepted"] is True
        status = await daemon.status_when(lambda s: s["zero_offset"]["value"] != 0.0, "the zero")
        assert status["zero_offset"]["value"] == pytest.approx(8.0, abs=4.5)
        await polls(plant, 3)
        assert (await daemon.status())["dp"]["value"] == pytest.approx(0.0, abs=12.0)
        assert await daemon.terminate() == 0
        again = await daemons.start(file)
        assert (await again.status())["zero_offset"] == status["zero_offset"], "kept"


async def test_a_zero_too_far_off_is_refused(tmp_path: Path, daemons: Daemons) -> None:
    async with device(scenario(0.1, blower=False)) as plant:
        plant.unit.force("zero_drift", offset_pa=100.0)
        zeroing = {"average_s": 1.0, "blower_off_s": 0.5}
        daemon = await daemons.start(plant_file(tmp_path, plant, zeroing=zeroing))
        while (answer := await daemon.request("zero")).out.startswith("refused: the blower"):
            pass
        assert answer.code == 1
        assert "12" in answer.out, "the limit is named"
        assert (await daemon.status())["zero_offset"]["value"] == 0.0


async def test_downtime_cleaning_after_the_blower_has_spun_down(
    tmp_path: Path, daemons: Daemons
) -> None:
    downtime = {
        "downtime": True,
        "downtime_spin_down_s": 2.0,
        "downtime_min_run_s": 1.0,
        "downtime_passes": 1,
    }
    async with device(CLEAN, speed=20.0) as plant:
        daemon = await daemons.start(plant_file(tmp_path, plant, cleaning=downtime))
        await polls(plant, 10)
        assert sum(plant.unit.pulses) == 0
        stopped_s = plant.unit.machine.t_s
        plant.unit.force("blower", running=False)
        await until(lambda: sum(plant.unit.pulses) >= 1, "downtime cleaning")
        assert plant.unit.machine.t_s - stopped_s >= 2.0
        await until(lambda: plant.unit.pulses == [1, 1, 1, 1], "each row once")
        await polls(plant, 10)
        assert plant.unit.pulses == [1, 1, 1, 1], "and no more"
        assert (await daemon.status())["cleaning"] is None


async def test_cleaning_that_does_not_help_rests(tmp_path: Path, daemons: Daemons) -> None:
    async with device(DIRTY) as plant:
        plant.unit.force("filters_worn", added_drag_pa_s_m=80_000.0)
        cleaning = {"max_cycles": 1, "rest_s": 600.0}
        daemon = await daemons.start(plant_file(tmp_path, plant, cleaning=cleaning))
        await until(lambda: sum(plant.unit.pulses) >= 4, "one cycle")
        await daemon.alarm_comes("cleaning_not_effective")
        await polls(plant, 12)
        assert sum(plant.unit.pulses) == 4
        assert (await daemon.status())["phase"] == "resting"
