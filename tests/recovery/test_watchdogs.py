"""Who notices that the daemon is dead or stuck: the output module, and the service manager."""

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from recovery.notified import Notified
from recovery.pulsing import pulsing
from system_support import processes, settings
from system_support.broker import until
from system_support.device import Device
from system_support.processes import Daemons

ODD = Path(__file__).with_name("odd_daemon.py")
LONG_PULSE_S = 0.3
SLACK_S = 0.5
"""Of a busy test machine."""
MODULE_TIMEOUT_S = 2


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Notified]:
    told = Notified(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(told.path))
    yield told
    told.close()


def watched(directory: Path, plant: Device) -> Path:
    over = settings.merged(
        settings.valves_on_off(LONG_PULSE_S),
        {"outputs": {"watchdog": {"register": 101, "timeout_s": MODULE_TIMEOUT_S}}},
    )
    bus = settings.tcp_bus(plant.port)
    return settings.write(directory, bus, pulsing(**over))


@pytest.mark.story
async def test_killed_in_a_pulse_the_module_drops_the_valve(
    tmp_path: Path, plant: Device, daemons: Daemons
) -> None:
    module = plant.unit.machine.outputs
    daemon = await daemons.start(watched(tmp_path, plant))
    await until(lambda: plant.unit.energised, "a pulse")
    assert module.settings.watchdog_s == MODULE_TIMEOUT_S
    daemon.kill()
    assert plant.unit.energised, "it must be killed while the valve is on"
    await until(lambda: not plant.unit.energised, "the module to drop the valve")
    assert module.counts.watchdog_trips == 1
    longest_on_s = plant.unit.longest_on_s
    assert LONG_PULSE_S < longest_on_s <= MODULE_TIMEOUT_S + LONG_PULSE_S + SLACK_S

    again = await daemons.start(tmp_path / "settings.toml")
    before = sum(plant.unit.pulses)
    await until(lambda: sum(plant.unit.pulses) > before + 1, "cleaning to go on")
    assert await again.terminate() == 0
    assert module.counts.watchdog_trips == 1
    assert plant.unit.two_at_once == 0


async def test_a_running_daemon_keeps_the_module_from_tripping(
    tmp_path: Path, plant: Device, daemons: Daemons
) -> None:
    demand = {
        "outputs": {
            "kind": "demand_contact",
            "coils": [32],
            "one_shot_register": None,
            "watchdog": {"register": 101, "timeout_s": 5},
        },
        "pulsing": {"sequencer_cycle_s": 60, "on_time_s": None, "interval_s": 1.0},
        "cleaning": {"mode": "timed"},
        "poll_s": 5.0,
        "stale_after_s": 20.0,
    }
    bus = settings.tcp_bus(plant.port)
    file = settings.write(tmp_path, bus, settings.collector(**settings.merged(demand, {})))
    await daemons.start(file)
    module = plant.unit.machine.outputs
    module.settings.sequencer_interval_s = 2.0
    await until(lambda: module.demand, "the demand contact to be closed")
    # The board's pulses, two seconds apart, tell how long the contact has been closed.
    first = sum(plant.unit.pulses)
    await until(lambda: sum(plant.unit.pulses) >= first + 6, "twelve seconds of pulses", 60)
    assert module.demand
    assert module.counts.watchdog_trips == 0


async def test_the_service_manager_is_told(
    tmp_path: Path, plant: Device, daemons: Daemons, manager: Notified
) -> None:
    file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing())
    daemon = await daemons.start(file)
    await until(lambda: manager.count("READY=1") == 1, "READY")
    await until(lambda: "Pa, timed, " in manager.status, "STATUS")
    assert manager.status.startswith("hall-1: ")
    assert "alarm" in manager.status
    await until(lambda: manager.count("WATCHDOG=1") > 10, "ten steps")
    assert await daemon.terminate() == 0
    assert manager.lines.index("STOPPING=1") > manager.lines.index("READY=1")


async def test_a_slow_poller_asks_for_a_longer_watchdog(
    tmp_path: Path, plant: Device, daemons: Daemons, manager: Notified,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    slow = settings.collector(poll_s=20.0, stale_after_s=60.0)
    await daemons.start(settings.write(tmp_path, settings.tcp_bus(plant.port), slow))
    assert manager.count("WATCHDOG_USEC=60000000") == 1


async def test_a_poller_that_hangs_stops_the_feeding(
    tmp_path: Path, plant: Device, daemons: Daemons, manager: Notified,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setenv("ODD", "hang:20")
    monkeypatch.setattr(processes, "DAEMON", [sys.executable, str(ODD)])
    # Outputs that fail make the core wake by itself, again and again: that must not count.
    file = settings.write(
        tmp_path, settings.tcp_bus(plant.port), settings.collector(poll_s=0.1, stale_after_s=0.5)
    )
    daemon = await daemons.start(file)
    await daemon.quality_becomes("failure")
    assert daemon.process.poll() is None
    fed = manager.count("WATCHDOG=1")
    assert fed <= 21
    over_s = time.monotonic() + 1.5
    status = await daemon.status_when(lambda _: time.monotonic() > over_s, "time to pass")
    assert status["quality"] == "failure"
    assert manager.count("WATCHDOG=1") == fed


async def test_a_bug_ends_the_daemon_with_valves_off_and_an_exit_code(
    tmp_path: Path, plant: Device, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ODD", "fail:30")
    monkeypatch.setattr(processes, "DAEMON", [sys.executable, str(ODD)])
    over = settings.valves_on_off(LONG_PULSE_S)
    bus = settings.tcp_bus(plant.port)
    file = settings.write(tmp_path, bus, pulsing(**over))
    daemon = processes.Daemon(file)
    assert await daemon.ended() == 1
    assert "a bug, put in on purpose" in daemon.log
    assert sum(plant.unit.pulses) > 0
    assert not plant.unit.energised
    assert plant.unit.longest_on_s < LONG_PULSE_S + SLACK_S
