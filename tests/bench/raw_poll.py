"""The floor: a bare pymodbus loop that reads the same register. A process of its own.

usage: raw_poll.py PORT EVERY_S SECONDS, EVERY_S 0 for as fast as it goes; prints CPU us a read.
"""

import asyncio
import sys
import time

from pymodbus.client import AsyncModbusTcpClient


async def main(port: int, every_s: float, duration_s: float) -> None:
    client = AsyncModbusTcpClient("127.0.0.1", port=port)
    await client.connect()
    await client.read_input_registers(2, count=2, device_id=1)
    reads, began_s = 0, time.process_time()
    due_s = time.monotonic()
    until_s = due_s + duration_s
    while time.monotonic() < until_s:
        await client.read_input_registers(2, count=2, device_id=1)
        reads += 1
        if every_s:
            due_s += every_s
            await asyncio.sleep(due_s - time.monotonic())
    print((time.process_time() - began_s) / reads * 1e6)
    client.close()


asyncio.run(main(int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])))
