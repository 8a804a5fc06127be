"""What inputs and outputs promise: one suite over the fake field and the real adapter."""

from collections.abc import Callable

import pytest

from dustcake.core.commands import AllValvesOff, FireValve, SetBlowerRun, SetDemand
from dustcake.core.inputs import Contacts, FailureKind, Outcome, ReadFailure, Registers
from dustcake.core.setpoints import OutputKind
from ports.modbus.benches import Bench, FakeBench, ModbusBench
from ports.modbus.clocks import LeapClock
from ports.modbus.conftest import OpenBus
from ports.modbus.rogue import RogueRtu, RogueTcp

Field = Callable[[OutputKind], Bench]

VALVES = (OutputKind.VALVES_ONE_SHOT, OutputKind.VALVES_ON_OFF)
ALL_FALSE = Contacts(
    blower_running=False, smoke=False, door_open=False, process_running=False, stop=False
)
over_valves = pytest.mark.parametrize("kind", VALVES)
over_all = pytest.mark.parametrize("kind", list(OutputKind))


@pytest.fixture(params=["fake", "tcp", "rtu"])
def field(
    request: pytest.FixtureRequest,
    bus_to: OpenBus,
    tcp: RogueTcp,
    rtu: RogueRtu,
    leap: LeapClock,
) -> Field:
    if request.param == "fake":
        return FakeBench
    rogue = tcp if request.param == "tcp" else rtu
    return lambda kind: ModbusBench(kind, bus_to(rogue), rogue, leap)


def fire(valve: int) -> FireValve:
    return FireValve(command_id=valve, valve=valve, on_time_s=0.15)


async def test_a_reading_is_what_the_devices_say(field: Field) -> None:
    bench = field(OutputKind.VALVES_ON_OFF)
    bench.set_dp(0x4060, 0)
    bench.set_contacts(blower_running=True, stop=True)
    reading = await bench.inputs.read()
    assert reading.dp == Registers((0x4060, 0))
    assert reading.header is None
    assert reading.contacts == Contacts(
        blower_running=True, smoke=False, door_open=False, process_running=False, stop=True
    )


async def test_a_silent_field_is_a_value_and_comes_back(field: Field) -> None:
    bench = field(OutputKind.VALVES_ON_OFF)
    bench.set_dp(1, 2)
    bench.silence(True)
    reading = await bench.inputs.read()
    assert isinstance(reading.dp, ReadFailure)
    assert reading.dp.kind is FailureKind.TIMEOUT
    assert reading.dp.detail
    assert reading.contacts == Contacts()
    bench.silence(False)
    reading = await bench.inputs.read()
    assert reading.dp == Registers((1, 2))
    assert reading.contacts == ALL_FALSE


@over_valves
async def test_a_pulse_fires_its_valve_and_leaves_it_off(field: Field, kind: OutputKind) -> None:
    bench = field(kind)
    for valve in (1, 4, 2):
        assert (await bench.outputs.execute(fire(valve))).outcome is Outcome.DONE
    assert bench.fired() == [1, 4, 2]
    assert bench.on() == set()


@over_valves
async def test_a_valve_that_stays_on_is_stuck(field: Field, kind: OutputKind) -> None:
    bench = field(kind)
    bench.stick(3)
    report = await bench.outputs.execute(fire(3))
    assert report.outcome is Outcome.STUCK_ON
    assert "3" in report.detail


@over_valves
async def test_no_second_valve_beside_a_stuck_one(field: Field, kind: OutputKind) -> None:
    bench = field(kind)
    bench.stick(3)
    bench.switch_on(3)
    report = await bench.outputs.execute(fire(1))
    assert report.outcome is Outcome.STUCK_ON
    assert bench.fired() == []


@over_valves
async def test_a_pulse_nobody_confirms_has_failed(field: Field, kind: OutputKind) -> None:
    bench = field(kind)
    bench.silence(True)
    report = await bench.outputs.execute(fire(1))
    assert report.outcome is Outcome.FAILED
    assert report.detail
    assert bench.on() == set()


@over_valves
@pytest.mark.parametrize("valve", [0, 5])
async def test_a_valve_that_is_not_there(field: Field, kind: OutputKind, valve: int) -> None:
    bench = field(kind)
    report = await bench.outputs.execute(fire(valve))
    assert report.outcome is Outcome.FAILED
    assert bench.fired() == []


async def test_the_demand_contact(field: Field) -> None:
    bench = field(OutputKind.DEMAND_CONTACT)
    for command, on in (
        (SetDemand(1, closed=True), {"demand"}),
        (SetDemand(2, closed=False), set()),
        (SetDemand(3, closed=True), {"demand"}),
        (AllValvesOff(4), set()),
    ):
        assert (await bench.outputs.execute(command)).outcome is Outcome.DONE
        assert bench.on() == on


async def test_a_demand_contact_that_stays_closed_is_stuck(field: Field) -> None:
    bench = field(OutputKind.DEMAND_CONTACT)
    bench.stick("demand")
    await bench.outputs.execute(SetDemand(1, closed=True))
    for command in (SetDemand(2, closed=False), AllValvesOff(3)):
        assert (await bench.outputs.execute(command)).outcome is Outcome.STUCK_ON


async def test_a_demand_contact_nobody_confirms_is_opened_again(field: Field) -> None:
    bench = field(OutputKind.DEMAND_CONTACT)
    bench.silence(True)
    report = await bench.outputs.execute(SetDemand(1, closed=True))
    assert report.outcome is Outcome.FAILED
    assert bench.on() == set()


@over_all
async def test_all_off(field: Field, kind: OutputKind) -> None:
    bench = field(kind)
    outputs = {"demand"} if kind is OutputKind.DEMAND_CONTACT else {1, 2, 4}
    for output in outputs:
        bench.switch_on(output)
    assert (await bench.outputs.execute(AllValvesOff(1))).outcome is Outcome.DONE
    assert bench.on() == set()


@over_all
async def test_all_off_leaves_the_blower_running(field: Field, kind: OutputKind) -> None:
    bench = field(kind)
    assert (await bench.outputs.execute(SetBlowerRun(1, run=True))).outcome is Outcome.DONE
    assert (await bench.outputs.execute(AllValvesOff(2))).outcome is Outcome.DONE
    assert bench.on() == {"blower"}
    assert (await bench.outputs.execute(SetBlowerRun(3, run=False))).outcome is Outcome.DONE
    assert bench.on() == set()


@over_all
async def test_all_off_nobody_confirms_has_failed(field: Field, kind: OutputKind) -> None:
    bench = field(kind)
    bench.silence(True)
    assert (await bench.outputs.execute(AllValvesOff(1))).outcome is Outcome.FAILED


async def test_a_blower_request_that_stays_is_stuck(field: Field) -> None:
    bench = field(OutputKind.VALVES_ON_OFF)
    bench.stick("blower")
    await bench.outputs.execute(SetBlowerRun(1, run=True))
    report = await bench.outputs.execute(SetBlowerRun(2, run=False))
    assert report.outcome is Outcome.STUCK_ON


async def test_commands_that_do_not_fit_the_outputs(field: Field) -> None:
    demand = field(OutputKind.DEMAND_CONTACT)
    assert (await demand.outputs.execute(fire(1))).outcome is Outcome.FAILED
    valves = field(OutputKind.VALVES_ON_OFF)
    report = await valves.outputs.execute(SetDemand(1, closed=True))
    assert report.outcome is Outcome.FAILED
