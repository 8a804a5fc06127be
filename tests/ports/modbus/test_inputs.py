"""Reading one collector's inputs."""

import pytest

from dustcake.adapters.modbus import FieldInputs
from dustcake.core.inputs import Contacts, FailureKind, Registers
from ports.modbus.clocks import LeapClock
from ports.modbus.conftest import OpenBus
from ports.modbus.rogue import RogueTcp
from ports.modbus.support import analog, contacts, failed


async def test_registers_come_as_the_device_sent_them(tcp: RogueTcp, bus_to: OpenBus) -> None:
    tcp.device.inputs.update({3: 0x42F6, 4: 0xE979})
    tcp.device.holding[9] = 65535
    inputs = FieldInputs(
        {"hall": bus_to(tcp)},
        analog(3, "float32"),
        analog(9, table="holding"),
        contacts(),
    )
    reading = await inputs.read()
    assert reading.dp == Registers((0x42F6, 0xE979))
    assert reading.header == Registers((65535,))
    assert reading.contacts == Contacts()


async def test_what_is_not_fitted_is_none(tcp: RogueTcp, bus_to: OpenBus) -> None:
    reading = await FieldInputs({"hall": bus_to(tcp)}, analog(0), None, contacts(smoke=2)).read()
    assert reading.header is None
    assert reading.contacts == Contacts(smoke=False)


async def test_contacts_near_each_other_are_one_request(tcp: RogueTcp, bus_to: OpenBus) -> None:
    tcp.device.discrete.update({0: True, 15: True})
    inputs = FieldInputs(
        {"hall": bus_to(tcp)},
        analog(0),
        None,
        contacts(blower_running=0, smoke=5, stop=15, door_open=16),
    )
    reading = await inputs.read()
    assert reading.contacts == Contacts(
        blower_running=True, smoke=False, stop=True, door_open=False
    )
    reads = [frame[7:] for frame in tcp.frames if frame[7] == 2]
    assert reads == [bytes.fromhex("02 0000 0011")]


async def test_distant_contacts_and_other_tables_are_read_apart(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    tcp.units[2] = tcp.device
    tcp.device.coils[1] = True
    inputs = FieldInputs(
        {"hall": bus_to(tcp)},
        analog(0),
        None,
        contacts(
            blower_running=0,
            smoke=100,
            stop={"address": 1, "table": "coil"},
            door_open={"address": 1, "unit": 2},
        ),
    )
    reading = await inputs.read()
    assert reading.contacts == Contacts(
        blower_running=False, smoke=False, stop=True, door_open=False
    )
    assert len(tcp.frames) == 5


@pytest.mark.parametrize(("bit", "smoke"), [(True, False), (False, True)])
async def test_a_contact_that_is_true_when_open(
    tcp: RogueTcp, bus_to: OpenBus, bit: bool, smoke: bool
) -> None:
    tcp.device.discrete[4] = bit
    fail_safe = contacts(smoke={"address": 4, "invert": True})
    reading = await FieldInputs({"hall": bus_to(tcp)}, analog(0), None, fail_safe).read()
    assert reading.contacts.smoke is smoke


async def test_a_device_that_refuses_the_gap_is_asked_one_by_one(
    tcp: RogueTcp, bus_to: OpenBus
) -> None:
    tcp.device.missing.add((2, 3))
    tcp.device.discrete[6] = True
    inputs = FieldInputs(
        {"hall": bus_to(tcp)}, analog(0), None, contacts(smoke=0, stop=3, door_open=6)
    )
    for requests in (5, 4):  # the second round knows
        tcp.frames.clear()
        reading = await inputs.read()
        assert reading.contacts == Contacts(smoke=False, stop=None, door_open=True)
        assert len(tcp.frames) == requests


async def test_each_input_fails_for_itself(tcp: RogueTcp, bus_to: OpenBus) -> None:
    """The dP transmitter is silent, the header transmitter refuses, the contacts are there."""
    tcp.units[3] = tcp.device
    tcp.device.missing.add((4, 8))
    inputs = FieldInputs(
        {"hall": bus_to(tcp)}, analog(0, unit=2), analog(8, unit=3), contacts(smoke=0)
    )
    reading = await inputs.read()
    assert "unit 2, input register 0" in failed(reading.dp, FailureKind.TIMEOUT)
    assert "unit 3, input register 8" in failed(reading.header, FailureKind.EXCEPTION)
    assert reading.contacts == Contacts(smoke=False)


async def test_a_silent_unit_is_asked_ever_more_rarely(
    tcp: RogueTcp, bus_to: OpenBus, leap: LeapClock
) -> None:
    """Polled once a second for a minute it costs its time-out nine times, not sixty."""
    inputs = FieldInputs(
        {"hall": bus_to(tcp)}, analog(0, unit=2), analog(1, unit=2), contacts(smoke=0)
    )
    smoke = []
    for _ in range(60):
        reading = await inputs.read()
        failed(reading.dp, FailureKind.TIMEOUT)
        failed(reading.header, FailureKind.TIMEOUT)
        smoke.append(reading.contacts.smoke)
        leap.mono_s += 1.0
    assert smoke.count(False) >= 57, "but for what a busy machine holds up"
    asked = sum(frame[6] == 2 for frame in tcp.frames)
    assert 8 <= asked <= 12
    tcp.units[2] = tcp.device
    leap.mono_s += 10.0
    assert (await inputs.read()).dp == Registers((0,))
    del tcp.units[2]
    failed((await inputs.read()).dp, FailureKind.TIMEOUT)
    assert "next try in 0.25 s" in failed((await inputs.read()).dp, FailureKind.TIMEOUT)


async def test_inputs_on_two_buses(bus_to: OpenBus, tcp: RogueTcp) -> None:
    async with RogueTcp() as other:
        other.device.discrete[1] = True
        buses = {"hall": bus_to(tcp), "roof": bus_to(other)}
        inputs = FieldInputs(
            buses, analog(0), None, contacts(blower_running={"bus": "roof", "address": 1})
        )
        reading = await inputs.read()
        assert reading.contacts.blower_running is True
        await tcp.stop()
        reading = await inputs.read()
        assert not isinstance(reading.dp, Registers)
        assert reading.contacts.blower_running is True
        await buses["roof"].aclose()
