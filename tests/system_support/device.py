"""Simulated collectors behind a real Modbus port, in the test's own process, so that a test can
look at the valves, make things happen, and spoil replies. The daemon is a process as ever."""

import contextlib
import time
from collections.abc import AsyncIterator, Sequence
from typing import Any

from dustcake_sim.device import Pace
from dustcake_sim.events import make_event
from dustcake_sim.machine import Machine
from dustcake_sim.machine_image import MachineImage
from dustcake_sim.modbus_pdu import Table
from dustcake_sim.modbus_server import ModbusServer
from dustcake_sim.scenario import Scenario, load_scenario

Write = tuple[int, tuple[int, ...]]
"""First address, and the values from there on."""


def scenario(cake_kg_m2: float, dust_g_m3: float = 0.0, *, blower: bool = True) -> Scenario:
    """The packaged welding cell as it stands with this much cake, and this much dust coming."""
    packaged = load_scenario("welding_cell")
    start = packaged.start.model_copy(
        update={"cake_kg_m2": cake_kg_m2, "blower_running": blower, "process_equipment": blower}
    )
    load = packaged.load[0].model_copy(update={"dust_g_m3": dust_g_m3})
    return packaged.model_copy(update={"start": start, "load": (load,), "load_repeat_s": None})


class Recorded:
    """A device image that keeps every write, in order."""

    def __init__(self, image: MachineImage) -> None:
        self._image = image
        self.coil_writes: list[Write] = []

    def read_bits(self, table: Table, address: int, count: int) -> Sequence[bool]:
        return self._image.read_bits(table, address, count)

    def read_words(self, table: Table, address: int, count: int) -> Sequence[int]:
        return self._image.read_words(table, address, count)

    def write_bits(self, address: int, values: Sequence[bool]) -> None:
        self.coil_writes.append((address, tuple(int(value) for value in values)))
        self._image.write_bits(address, values)

    def write_words(self, address: int, values: Sequence[int]) -> None:
        self._image.write_words(address, values)


class Unit:
    """One simulated collector at one unit id."""

    def __init__(self, story: Scenario, speed: float, seed: int) -> None:
        self.machine = Machine(story, speed=speed, seed=seed)
        self._pace = Pace(self.machine, time.monotonic)
        self.image = Recorded(MachineImage(self.machine, self._pace.bring_up_to_date))

    def force(self, kind: str, **fields: Any) -> None:
        """Make an event of a scenario file's kind happen now: ``force("contact", ...)``."""
        self._pace.bring_up_to_date()
        self.machine.apply(make_event(kind, self.machine.scenario_s, **fields))

    @property
    def pulses(self) -> list[int]:
        """How often each valve has been energised."""
        self._pace.bring_up_to_date()
        return self.machine.outputs.counts.pulses

    @property
    def energised(self) -> bool:
        """Whether any valve is just now."""
        self._pace.bring_up_to_date()
        return any(self.machine.outputs.energised())

    @property
    def two_at_once(self) -> int:
        """How often a valve was energised while another was."""
        return self.machine.outputs.counts.two_valves_at_once

    @property
    def longest_on_s(self) -> float:
        """Longest time a valve was energised, in seconds."""
        self._pace.bring_up_to_date()
        return self.machine.outputs.longest_on_s()


class Device:
    """One or more units behind one port, which stays the same when the device goes and returns."""

    def __init__(self, units: dict[int, Unit]) -> None:
        self._units = units
        self.server = ModbusServer({number: unit.image for number, unit in units.items()})

    @property
    def port(self) -> int:
        """TCP port."""
        return self.server.port

    @property
    def unit(self) -> Unit:
        """The unit where there is only one."""
        (only,) = self._units.values()
        return only

    def __getitem__(self, number: int) -> Unit:
        return self._units[number]

    async def go(self) -> None:
        """Be gone, as with the cable pulled out of the device: nothing listens any more."""
        port = self.server.port
        await self.server.stop()
        exchange = self.server.exchange
        self.server = ModbusServer(exchange.units, port=port)

    async def come_back(self) -> None:
        """Be there again, at the same port."""
        await self.server.start()

    def silence(self, number: int) -> None:
        """Let one unit be dead while the others answer."""
        del self.server.exchange.units[number]


@contextlib.asynccontextmanager
async def device(*stories: Scenario, speed: float = 1.0) -> AsyncIterator[Device]:
    """Serve the stories as units 1, 2, ..."""
    units = {n: Unit(story, speed, seed=n) for n, story in enumerate(stories, start=1)}
    served = Device(units)
    await served.server.start()
    try:
        yield served
    finally:
        await served.server.stop()
