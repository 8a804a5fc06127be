"""A Modbus device whose dP is another at each read, a process of its own.

Until SIGTERM. Prints its port, then for each read of dP the reading in Pa and the time
on the system's monotonic clock, which all processes share. Units 1 and 2 are alike.
"""

import asyncio
import signal
import struct
import sys
import time
from collections.abc import Sequence

from dustcake_sim.modbus_pdu import Table
from dustcake_sim.modbus_server import ModbusServer
from system_support.memory_image import MemoryImage


class Changing(MemoryImage):
    """Up and down by more than any deadband, and no reading twice."""

    def __init__(self, unit: int) -> None:
        super().__init__(input_registers={2: 0, 3: 0}, coils=dict.fromkeys(range(16, 20), False))
        self._unit = unit
        self._reads = 0

    def read_words(self, table: Table, address: int, count: int) -> Sequence[int]:
        """dP in the registers 2 and 3; it changes just when it is asked for."""
        self._reads += 1
        pa = (820.0 if self._reads % 2 else 860.0) + self._reads / 100.0
        words = struct.unpack(">HH", struct.pack(">f", pa))
        self.input_registers |= {2: words[0], 3: words[1]}
        sys.stdout.write(f"{self._unit} {pa:.2f} {time.monotonic()}\n")
        return super().read_words(table, address, count)


async def main() -> None:
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    async with ModbusServer({unit: Changing(unit) for unit in (1, 2)}) as server:
        print(server.port, flush=True)
        await stop.wait()


asyncio.run(main())
