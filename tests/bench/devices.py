"""Bare Modbus devices for benchmarks, a process of its own: several ports, several units on each.

usage: devices.py PORTS UNITS; prints the ports in one line. Each unit has dP as a float32 at input
register 2, wandering by a few pascals from read to read as a real one does, and the contacts of a
collector that works.
"""

import asyncio
import random
import struct
import sys
from collections.abc import Sequence
from contextlib import AsyncExitStack

from dustcake_sim.modbus_pdu import Table
from dustcake_sim.modbus_server import ModbusServer
from system_support.memory_image import MemoryImage


class Wandering(MemoryImage):
    """Another reading at each read."""

    def __init__(self, seed: int) -> None:
        contacts = {0: True, 1: False, 2: False}
        coils = dict.fromkeys(range(16, 20), False)
        super().__init__(input_registers={2: 0, 3: 0}, discrete_inputs=contacts, coils=coils)
        self._noise = random.Random(seed)

    def read_words(self, table: Table, address: int, count: int) -> Sequence[int]:
        """dP about 850 Pa, with 3 Pa of noise."""
        words = struct.unpack(">HH", struct.pack(">f", self._noise.gauss(850.0, 3.0)))
        self.input_registers |= {2: words[0], 3: words[1]}
        return super().read_words(table, address, count)


async def main(ports: int, units: int) -> None:
    async with AsyncExitStack() as stack:
        served = []
        for port in range(ports):
            images = {unit: Wandering(100 * port + unit) for unit in range(1, units + 1)}
            served.append(await stack.enter_async_context(ModbusServer(images)))
        print(*(server.port for server in served), flush=True)
        await asyncio.Event().wait()


asyncio.run(main(int(sys.argv[1]), int(sys.argv[2])))
