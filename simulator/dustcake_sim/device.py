"""A scenario served as a device, in real time.

The machine is moved to the present before every request and at least every `TICK_S`, on the clock
handed in, from one fixed origin: a late tick is made up for and leaves no drift. After a stall
longer than `MOST_CATCH_UP_S` the rest is given up, and counted in `lost_s`: a suspended laptop
must not replay a night in one go. `machine` says what `speed` means.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass

from dustcake_sim.events import make_event
from dustcake_sim.machine import Machine
from dustcake_sim.machine_image import MachineImage
from dustcake_sim.modbus_serial import ModbusSerialServer
from dustcake_sim.modbus_server import AbsentUnit, ModbusServer
from dustcake_sim.plant.state import State
from dustcake_sim.register_map import UNIT
from dustcake_sim.scenario import Scenario
from dustcake_sim.valve_log import ValveLog

TICK_S = 0.1
MOST_CATCH_UP_S = 5.0

_log = logging.getLogger(__name__)


class Pace:
    """Ties a machine's time to a clock."""

    def __init__(self, machine: Machine, clock: Callable[[], float]) -> None:
        """Begin now; `clock` gives monotonic seconds."""
        self._machine = machine
        self._clock = clock
        self._origin_s = clock()
        self.lost_s = 0.0
        """Time given up after stalls, s."""

    def bring_up_to_date(self) -> float:
        """Move the machine to the present; its time, s."""
        now_s = self._clock() - self._origin_s
        behind_s = now_s - self._machine.t_s
        if behind_s > MOST_CATCH_UP_S:
            given_up_s = behind_s - MOST_CATCH_UP_S
            self._origin_s += given_up_s
            self.lost_s += given_up_s
            now_s -= given_up_s
            _log.warning("stalled", extra={"given_up_s": round(given_up_s, 3)})
        self._machine.advance_to(now_s)
        return now_s

    def clock_s(self, t_s: float) -> float:
        """The clock at machine time `t_s`."""
        return self._origin_s + t_s

    async def run(self) -> None:
        """Keep the machine up to date until cancelled."""
        while True:
            self.bring_up_to_date()
            await asyncio.sleep(TICK_S)


@dataclass(frozen=True, slots=True)
class SerialLine:
    """A serial port or pty to answer on as well."""

    port: str
    baud: int = 19_200
    parity: str = "E"


@dataclass(frozen=True, slots=True)
class ServedScenario:
    """A scenario being served, for whoever started it."""

    machine: Machine
    pace: Pace
    server: ModbusServer
    serial: ModbusSerialServer | None

    @property
    def port(self) -> int:
        """TCP port."""
        return self.server.port

    @property
    def state(self) -> State:
        """The plant's state at present."""
        self.pace.bring_up_to_date()
        return self.machine.state

    def force(self, kind: str, **fields: object) -> None:
        """Make an event of a scenario file's kind happen now: `force("contact", ...)`.

        Raises ValueError when the fields do not fit the kind.
        """
        self.pace.bring_up_to_date()
        self.machine.apply(make_event(kind, self.machine.scenario_s, **fields))


@asynccontextmanager
async def serve_scenario(
    scenario: Scenario,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    speed: float = 1.0,
    seed: int = 0,
    unit: int = UNIT,
    absent_unit: AbsentUnit = AbsentUnit.SILENCE,
    serial_line: SerialLine | None = None,
    valve_log: ValveLog | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> AsyncIterator[ServedScenario]:
    """Serve a scenario over Modbus TCP, and on a serial line if given, while in the block;
    `valve_log` records what the valves do.

    Raises OSError when the TCP port is not to be had, SerialError when the serial one is not.
    """
    machine = Machine(scenario, speed=speed, seed=seed)
    pace = Pace(machine, clock)
    if valve_log is not None:
        _log_valves(machine, pace, valve_log)
    units = {unit: MachineImage(machine, pace.bring_up_to_date)}
    server = ModbusServer(units, host=host, port=port, absent_unit=absent_unit)
    serial = None
    if serial_line is not None:
        serial = ModbusSerialServer(
            units, serial_line.port, baud=serial_line.baud, parity=serial_line.parity
        )
    async with AsyncExitStack() as stack:
        await stack.enter_async_context(server)
        server.exchange.silenced = lambda: machine.fieldbus_silent
        if serial is not None:
            await stack.enter_async_context(serial)
            serial.exchange.silenced = lambda: machine.fieldbus_silent
        # Not a task group: that would wrap whatever is raised in the block in a group of its own.
        ticking = asyncio.create_task(pace.run())
        try:
            yield ServedScenario(machine, pace, server, serial)
        finally:
            ticking.cancel()
            with suppress(asyncio.CancelledError):
                await ticking


def _log_valves(machine: Machine, pace: Pace, log: ValveLog) -> None:
    log.started(pace.clock_s(0.0))
    machine.outputs.switched = lambda valve, on, t_s: log.switched(valve, on, pace.clock_s(t_s))
