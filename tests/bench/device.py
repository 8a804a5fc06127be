"""A bare Modbus device for benchmarks, a process of its own; prints its port."""

import asyncio
import struct

from dustcake_sim.modbus_server import ModbusServer
from system_support.memory_image import MemoryImage


async def main() -> None:
    words = struct.unpack(">HH", struct.pack(">f", 800.0))
    image = MemoryImage(
        input_registers={2: words[0], 3: words[1]}, coils=dict.fromkeys(range(16, 20), False)
    )
    async with ModbusServer({1: image}) as server:
        print(server.port, flush=True)
        await asyncio.Event().wait()


asyncio.run(main())
