"""One-shot valves, demand contact and blower: what is written, whatever goes wrong."""

import pytest

from dustcake.core.commands import AllValvesOff, FireValve, SetBlowerRun, SetDemand
from dustcake.core.inputs import Outcome
from ports.modbus.clocks import LeapClock
from ports.modbus.conftest import OpenBus
from ports.modbus.output_kinds import (
    FIRE_2,
    AnyRogue,
    demand,
    functions,
    is_on,
    one_shot,
    silent_when,
    timed,
)
from ports.modbus.rogue import RogueTcp


async def test_a_one_shot_pulse_is_ended_by_the_module(
    rogue: AnyRogue, bus_to: OpenBus, leap: LeapClock
) -> None:
    rogue.device.one_shot.update(range(8))
    report = await one_shot(bus_to(rogue)).execute(FIRE_2)
    assert (report.outcome, report.detail) == (Outcome.DONE, "")
    assert rogue.device.coil_writes == [(1, True)]
    assert functions(rogue) == [1, 5, 1]
    assert max(leap.sleeps) == pytest.approx(0.25)


async def test_the_pulse_time_is_written_before_the_first_pulse_and_when_it_changes(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.one_shot.update(range(8))
    outs = one_shot(bus_to(rogue), one_shot_register=8, one_shot_ms_per_count=10.0)
    for on_time_s in (0.15, 0.15, 0.2, 0.15):
        assert (await outs.execute(FireValve(1, 2, on_time_s))).outcome is Outcome.DONE
    assert functions(rogue) == [1, 6, 5, 1, 1, 5, 1, 1, 6, 5, 1, 1, 6, 5, 1]
    assert rogue.device.holding[8] == 15


async def test_the_pulse_time_is_written_again_after_trouble(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    """The module may have been restarted, and have forgotten it."""
    rogue.device.one_shot.update(range(8))
    outs = one_shot(bus_to(rogue), one_shot_register=8)
    assert (await outs.execute(FIRE_2)).outcome is Outcome.DONE
    silent_when(rogue, is_on)
    assert (await outs.execute(FIRE_2)).outcome is Outcome.FAILED
    rogue.tamper = lambda request, reply: reply
    assert (await outs.execute(FIRE_2)).outcome is Outcome.DONE
    assert functions(rogue).count(6) == 2


async def test_no_pulse_when_its_time_could_not_be_set(rogue: AnyRogue, bus_to: OpenBus) -> None:
    rogue.device.one_shot.update(range(8))
    silent_when(rogue, lambda request: request[0] == 6)
    outs = one_shot(bus_to(rogue), one_shot_register=8)
    report = await outs.execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert "pulse time not set" in report.detail
    assert rogue.device.coil_writes == []


async def test_a_pulse_time_that_does_not_fit_is_told_with_its_setting(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    outs = one_shot(bus_to(tcp), one_shot_register=8, one_shot_ms_per_count=0.001)
    report = await outs.execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert "`one_shot_ms_per_count`" in report.detail
    assert tcp.device.coil_writes == []


async def test_a_module_that_does_not_end_the_pulse_is_a_failure(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    report = await one_shot(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert report.detail == "valve 2: the module did not end the pulse; it reads off"
    assert rogue.device.coil_writes == [(1, True), (1, False)]


async def test_a_one_shot_coil_that_never_reads_off_is_stuck(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.stuck_on.add(1)
    report = await one_shot(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.STUCK_ON
    assert "valve 2" in report.detail


async def test_an_unanswered_one_shot_is_a_failure_after_off_was_written(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    silent_when(rogue, is_on)
    report = await one_shot(bus_to(rogue)).execute(FIRE_2)
    assert report.outcome is Outcome.FAILED
    assert rogue.device.coil_writes == [(1, True), (1, False)]


async def test_the_demand_contact_is_closed_and_opened(rogue: AnyRogue, bus_to: OpenBus) -> None:
    outs = demand(bus_to(rogue))
    for command, on in (
        (SetDemand(1, closed=True), True),
        (SetDemand(2, closed=False), False),
        (SetDemand(3, closed=True), True),
        (AllValvesOff(4), False),
    ):
        assert (await outs.execute(command)).outcome is Outcome.DONE
        assert rogue.device.coils[4] is on
    assert functions(rogue) == [5, 1] * 4


async def test_a_demand_contact_not_known_to_be_closed_is_opened(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    silent_when(rogue, is_on)
    report = await demand(bus_to(rogue)).execute(SetDemand(1, closed=True))
    assert report.outcome is Outcome.FAILED
    assert rogue.device.coils[4] is False


async def test_a_demand_contact_that_does_not_open_is_stuck(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    outs = demand(bus_to(rogue))
    rogue.device.stuck_on.add(4)
    assert (await outs.execute(SetDemand(1, closed=True))).outcome is Outcome.DONE
    report = await outs.execute(SetDemand(2, closed=False))
    assert report.outcome is Outcome.STUCK_ON
    assert "demand contact" in report.detail


async def test_a_contact_that_reads_back_open_was_not_closed(
    rogue: AnyRogue, bus_to: OpenBus
) -> None:
    rogue.device.one_shot.update(range(8))  # drops out by itself
    report = await demand(bus_to(rogue)).execute(SetDemand(1, closed=True))
    assert report.outcome is Outcome.FAILED
    assert report.detail == "reads off after being switched on"


async def test_the_blower_run_request(rogue: AnyRogue, bus_to: OpenBus) -> None:
    outs = demand(bus_to(rogue))
    for run in (True, False):
        report = await outs.execute(SetBlowerRun(1, run=run))
        assert report.outcome is Outcome.DONE
        assert rogue.device.coils[5] is run
    assert functions(rogue) == [5, 1, 5, 1]


async def test_commands_that_do_not_fit_the_outputs_are_failures(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    bus = bus_to(tcp)
    for outs, command in (
        (demand(bus), FIRE_2),
        (timed(bus), SetDemand(1, closed=True)),
        (one_shot(bus), SetBlowerRun(1, run=True)),
    ):
        assert (await outs.execute(command)).outcome is Outcome.FAILED
    assert tcp.frames == []
