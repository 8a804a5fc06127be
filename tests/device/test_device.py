"""A scenario served in this process, on a clock of the test's."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable

import pytest

from device.wire import PtyWire, TcpWire, tcp_frame
from dustcake_sim.device import MOST_CATCH_UP_S, Pace, SerialLine, serve_scenario
from dustcake_sim.machine import Machine
from dustcake_sim.modbus_serial import SerialError
from dustcake_sim.scenario import load_scenario


class HandClock:
    """A clock that stands still until it is set."""

    def __init__(self) -> None:
        self.now_s = 1_000.0

    def __call__(self) -> float:
        return self.now_s


def dp_pa(reply: bytes) -> float:
    value: float = struct.unpack(">f", reply[2:])[0]
    return value


READ_DP = bytes.fromhex("04 00 02 00 02")


async def test_values_are_fresh_at_every_request() -> None:
    clock = HandClock()
    async with serve_scenario(load_scenario("welding_cell"), speed=60.0, clock=clock) as sim:
        wire = await TcpWire.open(sim.port)
        before_pa = dp_pa(await wire.ask(READ_DP))
        clock.now_s += 4.0
        after_pa = dp_pa(await wire.ask(READ_DP))
        assert after_pa - before_pa > 10.0
        assert sim.machine.t_s == pytest.approx(4.0)
        await wire.close()


async def test_a_pulse_from_the_wire_reaches_the_plant() -> None:
    clock = HandClock()
    async with serve_scenario(load_scenario("welding_cell"), clock=clock) as sim:
        wire = await TcpWire.open(sim.port)
        request = bytes.fromhex("05 00 10 FF 00")
        assert await wire.ask(request) == request
        clock.now_s += 1.0
        assert sim.state.cake_kg_m2[0] < 0.25 * sim.state.cake_kg_m2[1]
        assert sim.machine.outputs.counts.pulses == [1, 0, 0, 0]
        await wire.close()


async def test_forcing_an_event() -> None:
    async with serve_scenario(load_scenario("welding_cell")) as sim:
        wire = await TcpWire.open(sim.port)
        sim.force("contact", contact="smoke", closed=True)
        assert await wire.ask(bytes.fromhex("02 00 00 00 04")) == bytes([2, 1, 0b1011])
        with pytest.raises(ValueError, match="smok"):
            sim.force("contact", contact="smok", closed=True)
        await wire.close()


def told(question: Callable[[], bool], asked: asyncio.Event) -> Callable[[], bool]:
    """The same question, which also tells when it has been asked."""

    def ask() -> bool:
        asked.set()
        return question()

    return ask


async def test_a_silent_fieldbus_and_its_return() -> None:
    async with serve_scenario(load_scenario("welding_cell")) as sim:
        wire = await TcpWire.open(sim.port)
        sim.force("fieldbus", silent=True)
        sim.server.exchange.silenced = told(sim.server.exchange.silenced, asked := asyncio.Event())
        await wire.send(tcp_frame(READ_DP, 1, 1))
        await asyncio.wait_for(asked.wait(), 10.0)
        sim.force("fieldbus", silent=False)
        await wire.ask(READ_DP, transaction=2)
        await wire.close()


async def test_tcp_and_serial_show_the_same_device() -> None:
    line = PtyWire()
    clock = HandClock()
    async with serve_scenario(
        load_scenario("welding_cell"),
        unit=5,
        clock=clock,
        serial_line=SerialLine(line.port, parity="N"),
    ) as sim:
        wire = await TcpWire.open(sim.port)
        over_tcp = await wire.ask(READ_DP, unit=5)
        over_rtu = await line.ask(bytes.fromhex("05 04 00 02 00 02 D1 8F"), 9)
        assert over_rtu[1:-2] == over_tcp
        await wire.close()
    line.close()


async def test_a_serial_port_that_is_not_there_leaves_nothing_running() -> None:
    serving = serve_scenario(load_scenario("welding_cell"), serial_line=SerialLine("/dev/none"))
    with pytest.raises(SerialError):
        async with serving:
            pytest.fail("served on a port that does not exist")
    assert asyncio.all_tasks() == {asyncio.current_task()}


def test_a_late_tick_is_made_up_for_and_a_stall_is_not() -> None:
    clock = HandClock()
    machine = Machine(load_scenario("welding_cell"))
    pace = Pace(machine, clock)
    clock.now_s += 2.0
    assert pace.bring_up_to_date() == pytest.approx(2.0)
    clock.now_s += MOST_CATCH_UP_S - 0.5
    assert pace.bring_up_to_date() == pytest.approx(MOST_CATCH_UP_S + 1.5)
    assert pace.lost_s == 0.0
    clock.now_s += 3600.0
    assert pace.bring_up_to_date() == pytest.approx(2 * MOST_CATCH_UP_S + 1.5, abs=0.011)
    assert pace.lost_s == pytest.approx(3600.0 - MOST_CATCH_UP_S, abs=0.011)
    clock.now_s += 1.0
    assert pace.bring_up_to_date() == pytest.approx(2 * MOST_CATCH_UP_S + 2.5, abs=0.011)
    assert machine.t_s == pytest.approx(2 * MOST_CATCH_UP_S + 2.5, abs=0.021)
