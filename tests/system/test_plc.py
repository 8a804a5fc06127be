"""A PLC reads the collectors of the whole daemon."""

import struct
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusTcpClient

from dustcake.publish.plc import MAP_VERSION
from system_support import settings
from system_support.broker import free_port, until
from system_support.device import device, scenario
from system_support.processes import Daemons


async def test_two_collectors_as_two_units(tmp_path: Path, daemons: Daemons) -> None:
    port = free_port()
    other = settings.collector("hall-2", cleaning={"mode": "off"})
    for table in (other["transmitter"], *other["contacts"].values(), other["outputs"]):
        table["unit"] = 2
    async with device(scenario(0.1), scenario(0.2)) as plant:
        bus = settings.tcp_bus(plant.port)
        path = settings.write(
            tmp_path, bus, settings.collector(), other, plc={"port": port, "idle_s": 5.0}
        )
        daemon = await daemons.start(path)
        await until(lambda: bool(daemon.logged("PLC server listens")), "the server")
        client = AsyncModbusTcpClient("127.0.0.1", port=port)
        await client.connect()
        for unit, name, mode in ((1, "hall-1", 1), (2, "hall-2", 0)):
            words = (await client.read_input_registers(0, count=40, device_id=unit)).registers
            assert words[0] == MAP_VERSION
            assert words[2] <= 2
            assert words[3] == 0
            assert words[8] == mode
            (dp_pa,) = struct.unpack(">f", struct.pack(">HH", *words[4:6]))
            shown = (await daemon.status(name))["dp"]["value"]
            assert dp_pa == pytest.approx(shown, abs=60.0)
            assert words[10] & 1, "the blower runs"
        before = (await client.read_input_registers(1, count=1, device_id=1)).registers[0]
        life = [before]
        while life[-1] == before:
            life += (await client.read_input_registers(1, count=1, device_id=1)).registers
        client.close()
        assert await daemon.terminate() == 0
