"""How the daemon ends, in order and not, and how it takes up again."""

import asyncio
import json
import signal
import time
from pathlib import Path

import pytest

from dustcake.runtime.daemon import ENDING, STOPPING
from dustcake.runtime.shutdown import end
from system_support import settings
from system_support.broker import Broker, until
from system_support.device import Device, device, scenario
from system_support.heard import Heard, listener
from system_support.processes import Daemons

DIRTY = scenario(0.45)
"""Cleaning starts at once, and goes on for a while."""
CLEAN = scenario(0.1)
LONG_PULSE_S = 0.3
MEETINGS = 3
"""On a busy machine a pulse may be over before the signal has come; then another is met."""
ORDERLY_END_S = 4.0
"""Twice what is promised, for a busy test machine; `tests/runtime` holds it in simulated time."""


def on_off_file(directory: Path, plant: Device, mqtt_port: int, **over: object) -> Path:
    """Settings with plain coils and the longest pulse, so that a test can meet it under way."""
    return settings.write(
        directory,
        settings.tcp_bus(plant.port),
        settings.collector(**settings.merged(settings.valves_on_off(LONG_PULSE_S), over)),
        mqtt=settings.mqtt(mqtt_port),
    )


def test_no_signal_ends_it_otherwise() -> None:
    theirs = {signal.SIGKILL, signal.SIGSTOP}
    faults = {"SIGILL", "SIGTRAP", "SIGABRT", "SIGBUS", "SIGFPE", "SIGSEGV", "SIGSYS"}
    harmless = {"SIGCHLD", "SIGCONT", "SIGURG", "SIGWINCH", "SIGPIPE", "SIGXFSZ"}
    left = signal.valid_signals() - set(ENDING) - set(STOPPING) - theirs
    assert {signal.Signals(number).name for number in left} == faults | harmless
    assert signal.getsignal(signal.SIGPIPE) is signal.SIG_IGN, "Python sees to those"
    assert signal.getsignal(signal.SIGXFSZ) is signal.SIG_IGN


@pytest.mark.broker
@pytest.mark.parametrize(
    "number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGUSR2, signal.SIGRTMIN + 1]
)
async def test_a_signal_ends_a_pulse_under_way_and_everything_in_order(
    tmp_path: Path, broker: Broker, daemons: Daemons, number: int
) -> None:
    for n in range(MEETINGS):
        directory = tmp_path / str(n)
        directory.mkdir()
        if await meets_a_pulse(directory, broker, daemons, number):
            return
    pytest.fail("no pulse was ended, all were waited for")


async def meets_a_pulse(directory: Path, broker: Broker, daemons: Daemons, number: int) -> bool:
    """Whether the signal has ended a pulse. Everything else must be in order either way."""
    async with device(DIRTY) as plant, listener(broker) as sub:
        heard = Heard(sub)
        daemon = await daemons.start(on_off_file(directory, plant, broker.port))
        await until(lambda: any(one["online"] for one in heard.bodies("online")), "the birth")
        await until(lambda: plant.unit.energised, "a pulse under way")
        began_s = time.monotonic()
        daemon.process.send_signal(number)
        assert await daemon.ended() == 0
        assert time.monotonic() - began_s <= ORDERLY_END_S
        assert not plant.unit.energised
        met = plant.unit.longest_on_s < LONG_PULSE_S

        await until(lambda: heard.bodies("online")[-1]["online"] is False, "the goodbye")
        await until(lambda: bool(heard.events("stopped")), "the last events")
        # The end of the pulse and of the run follow from the decision to stop.
        events = heard.gapless()
        names = [event["event"] for event in events]
        after = events[names.index("stopped") + 1 :]
        assert {event["event"] for event in after} <= {"cleaning_stopped", "pulse"}
        assert "cleaning_stopped" in names[-3:]
        if met:
            (pulse,) = [event for event in after if event["event"] == "pulse"]
            assert pulse["ended_early"] is True
        await until(
            lambda: heard.bodies("state")[-1]["reason_code"] == "stopping", "the last state"
        )
        assert not (directory / "control.sock").exists()
        return met


async def test_it_ends_in_time_before_it_has_read_anything(
    tmp_path: Path, daemons: Daemons
) -> None:
    """A start with a dead line: each point waits its whole time-out, several seconds in all."""
    async with device(CLEAN) as plant:
        plant.silence(1)
        bus = settings.tcp_bus(plant.port, timeout_s=0.5, retries=5)
        over = {**settings.header(), "stale_after_s": 5.0}
        daemon = daemons.begin(settings.write(tmp_path, bus, settings.collector(**over)))
        await until(lambda: plant.server.exchange.requests > 0, "the first request on the wire")
        began_s = time.monotonic()
        assert await daemon.terminate() == 0
        assert time.monotonic() - began_s <= ORDERLY_END_S


@pytest.mark.broker
async def test_after_kill_in_mid_pulse_valves_go_off_first_and_the_pulse_is_not_repeated(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(DIRTY) as plant, listener(broker) as sub:
        heard = Heard(sub)
        file = on_off_file(tmp_path, plant, broker.port, settle_s=2.0)
        daemon = await daemons.start(file)
        assert (await daemon.request("mode", "timed")).code == 0
        await until(lambda: len(heard.events("pulse")) >= 2, "two pulses on record")
        count = len(plant.unit.image.coil_writes)
        pulses = sum(plant.unit.pulses)
        await until(lambda: sum(plant.unit.pulses) > pulses and plant.unit.energised, "a pulse")
        daemon.kill()
        await until(lambda: heard.bodies("online")[-1]["online"] is False, "the will")
        assert plant.unit.energised, "nobody has switched the valve off"
        (on,) = [first for first, values in plant.unit.image.coil_writes[count:] if any(values)]
        before = list(plant.unit.pulses)
        count = len(plant.unit.image.coil_writes)

        again = await daemons.start(file)
        await until(lambda: not plant.unit.energised, "the valve to be switched off")
        await until(lambda: bool(heard.events("pulse_interrupted")), "the interrupted pulse")
        written = plant.unit.image.coil_writes[count:]
        assert written
        assert not any(any(values) for _, values in written), "nothing but off before settling"
        (interrupted,) = heard.events("pulse_interrupted")
        assert interrupted["valve"] == on + 1
        assert plant.unit.pulses == before, "not repeated"
        status = await again.status()
        assert status["mode"] == "timed", "the selected mode is kept"
        told = {valve["valve"]: valve["pulses"] for valve in status["valves"]}
        fired = [event["valve"] for event in heard.events("pulse")]
        assert sum(told.values()) in (len(fired), len(fired) + 1)

        # Rows go on after the interrupted one.
        await until(lambda: sum(plant.unit.pulses) > sum(before), "the next pulse")
        order = [2, 4, 1, 3]
        follows = order[(order.index(on + 1) + 1) % 4]
        assert plant.unit.pulses[follows - 1] == before[follows - 1] + 1
        assert await again.terminate() == 0
        assert plant.unit.two_at_once == 0
        await until(lambda: bool(heard.events("stopped")), "the last events")
        names = [event["event"] for event in heard.gapless()]
        assert names.count("started") == 2
        assert "stopped" in names[-3:]


@pytest.mark.broker
async def test_no_event_is_lost_by_kills_at_any_moment(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(DIRTY) as plant, listener(broker) as sub:
        heard = Heard(sub)
        file = on_off_file(tmp_path, plant, broker.port, cleaning={"mode": "timed"})
        for delay_events in (1, 2, 4, 7):
            starts = len(heard.events("started"))
            daemon = daemons.begin(file)
            # What the one before had still said may come only now.
            await until(lambda n=starts: len(heard.events("started")) > n, "its start")  # type: ignore[misc]
            seen = len(heard.events()) - 1
            await until(lambda n=seen + delay_events: len(heard.events()) >= n, "events")  # type: ignore[misc]
            daemon.kill()
        last = await daemons.start(file)
        seen = len(heard.events("pulse"))
        await until(lambda: len(heard.events("pulse")) > seen, "a pulse after all that")
        assert await last.terminate() == 0
        await until(lambda: bool(heard.events("stopped")), "the last events")
        events = heard.gapless()
        assert [event["event"] for event in events].count("started") == 5
        counted = sum(plant.unit.pulses)
        recorded = [event["event"] for event in events]
        fired = recorded.count("pulse")
        assert fired <= counted <= fired + recorded.count("pulse_interrupted")
        assert plant.unit.two_at_once == 0


@pytest.mark.broker
async def test_mode_and_counters_stay_and_the_settings_file_has_the_last_word(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        file = on_off_file(tmp_path, plant, broker.port)
        daemon = await daemons.start(file)
        assert (await daemon.request("mode", "off")).code == 0
        assert await daemon.terminate() == 0
        daemon = await daemons.start(file)
        assert (await daemon.status())["mode"] == "off"
        assert await daemon.terminate() == 0
        edited = on_off_file(tmp_path, plant, broker.port, cleaning={"mode": "timed"})
        daemon = await daemons.start(edited)
        assert (await daemon.status())["mode"] == "timed"
        assert await daemon.terminate() == 0


async def test_two_daemons_cannot_share_a_journal_or_a_socket(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        bus, one = settings.tcp_bus(plant.port), settings.collector()
        first = await daemons.start(settings.write(tmp_path, bus, one))
        count = len(plant.unit.image.coil_writes)

        second = daemons.begin(first.settings)
        assert await second.ended() == 1
        assert "journal.db is in use by another dustcake daemon" in second.log
        assert len(plant.unit.image.coil_writes) == count, "it has touched no output"

        other = tmp_path / "other"
        other.mkdir()
        file = settings.write(other, bus, one, control={"socket": str(tmp_path / "control.sock")})
        third = daemons.begin(file)
        assert await third.ended() == 1
        assert "another daemon already serves" in third.log
        assert "control.socket" in third.log
        assert len(plant.unit.image.coil_writes) == count, "it has touched no output"
        assert (await first.status())["quality"] == "good", "the first is not disturbed"
        assert await first.terminate() == 0


async def test_what_a_killed_daemon_left_behind_does_not_stop_the_next(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), settings.collector())
        (await daemons.start(file)).kill()
        assert (tmp_path / "control.sock").is_socket()
        again = await daemons.start(file)
        assert (await again.status())["quality"] == "good"


async def test_the_log_is_json_one_object_a_line(tmp_path: Path, daemons: Daemons) -> None:
    async with device(CLEAN) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), settings.collector())
        daemon = await daemons.start(file)
        assert await daemon.terminate() == 0
        names = [json.loads(line)["event"] for line in daemon.log.splitlines()]
        assert names == ["running", "stopping", "stopped"]


async def test_a_task_that_misses_a_request_to_stop_is_asked_again() -> None:
    """As `asyncio.wait_for` does before Python 3.12 when the reply comes in the same moment."""
    missed = asyncio.Event()

    async def stubborn() -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            missed.set()
        await asyncio.Event().wait()

    async def orderly() -> str:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            await missed.wait()
        return "left in order"

    tasks = [asyncio.create_task(stubborn()), asyncio.create_task(orderly())]
    await asyncio.sleep(0)
    async with asyncio.timeout(5):
        await end(tasks, grace_s=0.05)
    assert tasks[0].cancelled()
    assert tasks[1].result() == "left in order"
