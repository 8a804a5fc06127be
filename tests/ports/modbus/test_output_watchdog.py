"""The output module's own watchdog: set before anything is switched on, fed, set again."""

import asyncio

import pytest
import structlog

from dustcake.adapters.modbus import Bus, CoilOutputs
from dustcake.core.commands import AllValvesOff, Command, SetDemand
from dustcake.core.inputs import Outcome
from ports.modbus.clocks import LeapClock
from ports.modbus.conftest import OpenBus
from ports.modbus.output_kinds import FIRE_2, AnyRogue, functions, pdu, silent_when
from ports.modbus.support import outputs

REGISTER = 101


def watched(bus: Bus, kind: str = "valves_on_off") -> CoilOutputs:
    coils = [16, 17, 18, 19] if kind != "demand_contact" else [4]
    settings = outputs(kind, coils, watchdog={"register": REGISTER, "timeout_s": 6.0})
    return CoilOutputs({"hall": bus}, settings, None)


def is_watchdog(request: bytes) -> bool:
    return request[0] in (3, 6) and request[1:3] == REGISTER.to_bytes(2, "big")


async def test_it_is_set_and_read_back_before_the_first_pulse(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    valves = watched(bus_to(rogue))
    assert (await valves.execute(FIRE_2)).outcome is Outcome.DONE
    assert rogue.device.holding[REGISTER] == 6
    assert functions(rogue)[:2] == [6, 3]
    before = len(rogue.frames)
    assert (await valves.execute(FIRE_2)).outcome is Outcome.DONE
    assert not any(is_watchdog(pdu(rogue, frame)) for frame in rogue.frames[before:])


@pytest.mark.parametrize(
    ("kind", "command"),
    [("valves_on_off", FIRE_2), ("demand_contact", SetDemand(1, True))],
)
async def test_nothing_is_switched_on_while_it_cannot_be_set(
    rogue: AnyRogue, bus_to: OpenBus, kind: str, command: Command
) -> None:
    silent_when(rogue, is_watchdog)
    valves = watched(bus_to(rogue), kind)
    report = await valves.execute(command)
    assert report.outcome is Outcome.FAILED
    assert report.detail.startswith("module watchdog not set: bus hall, unit 1, holding register")
    assert not any(on for _, on in rogue.device.coil_writes)


async def test_all_off_does_not_wait_for_it(rogue: AnyRogue, bus_to: OpenBus) -> None:
    report = await watched(bus_to(rogue)).execute(AllValvesOff(1))
    assert report.outcome is Outcome.DONE
    assert REGISTER not in rogue.device.holding


async def test_a_module_that_does_not_take_it(rogue: AnyRogue, bus_to: OpenBus) -> None:
    valves = watched(bus_to(rogue))
    rogue.device.refused_registers.add(REGISTER)
    report = await valves.execute(FIRE_2)
    assert "does not read 6 after it was written; check outputs.watchdog" in report.detail


async def keeping(valves: CoilOutputs, leap: LeapClock, feeds: int) -> list[float]:
    """Let it be fed that often; the pauses between."""
    enough = asyncio.Event()

    def pauses() -> list[float]:
        return [wait_s for wait_s in leap.sleeps[before:] if wait_s > 1.0]

    before = len(leap.sleeps)
    leap.on_sleep = lambda: enough.set() if len(pauses()) >= feeds else None
    task = asyncio.create_task(valves.keep_watchdog())
    await asyncio.wait_for(enough.wait(), 20.0)
    task.cancel()
    await asyncio.wait({task})
    return pauses()


async def test_it_is_fed_three_times_within_its_time(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    pauses = await keeping(watched(bus_to(rogue)), leap, 3)
    assert rogue.device.holding[REGISTER] == 6
    assert pauses[:3] == pytest.approx([2.0, 2.0, 2.0])


async def test_a_module_that_has_forgotten_it_is_told_again(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    valves = watched(bus_to(rogue))
    await valves.execute(FIRE_2)
    rogue.device.holding[REGISTER] = 0  # power has come back to it
    await keeping(valves, leap, 2)
    assert rogue.device.holding[REGISTER] == 6


async def test_trouble_is_told_once_and_its_end_too(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    valves = watched(bus_to(rogue))
    silent_when(rogue, is_watchdog)
    with structlog.testing.capture_logs() as logs:
        await keeping(valves, leap, 3)
        rogue.tamper = lambda request, reply: reply
        leap.mono_s += 60.0
        await keeping(valves, leap, 3)
    told = [entry["event"] for entry in logs if entry["event"].startswith("module watchdog")]
    assert told == ["module watchdog not set", "module watchdog set"]


async def test_without_one_there_is_nothing_to_keep(rogue: AnyRogue, bus_to: OpenBus) -> None:
    plain = CoilOutputs({"hall": bus_to(rogue)}, outputs("valves_on_off", [0]), None)
    await plain.keep_watchdog()
    assert rogue.frames == []
