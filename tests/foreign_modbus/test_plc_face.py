"""The registers of a collector, read by a C library, by mbpoll, and by pymodbus."""

import asyncio
import contextlib
import re
import shutil
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

import pytest
import structlog
from pymodbus.client import AsyncModbusTcpClient

from core.driver import ALL_FITTED, FIRST_UTC_S, HEADER_SCALE, chosen
from dustcake.adapters.plc import PlcServer
from dustcake.core.inputs import Stamp
from dustcake.core.reading import Quality, Sample
from dustcake.core.record import replace
from dustcake.core.state import State, first_state
from dustcake.publish.plc import MAP_VERSION, RegisterSource, image
from dustcake.settings.services import Plc
from foreign_modbus.conftest import compiled, needed
from system_support.broker import free_port, until

FULL = chosen(fitted=ALL_FITTED, header=HEADER_SCALE)


def registers() -> list[int]:
    start = first_state(FULL, Stamp(0.0, FIRST_UTC_S))
    sample = Sample(Stamp(0.0, FIRST_UTC_S), 512.5, Quality.GOOD)
    header = Sample(Stamp(0.0, FIRST_UTC_S), 600_000.0, Quality.GOOD)
    state: State = replace(start, sample=sample, header=header)
    return image(RegisterSource(state, FULL, 7, 3.0))


REGISTERS = registers()


@contextlib.asynccontextmanager
async def served(most_connections: int = 8, idle_s: float = 60.0) -> AsyncIterator[int]:
    def of(unit: int) -> Sequence[int] | None:
        return REGISTERS if unit == 1 else None

    port = free_port()
    bounds = {"most_connections": most_connections, "idle_s": idle_s}
    server = PlcServer(Plc(port=port).model_copy(update=bounds), of)
    task = asyncio.create_task(server.run())
    await asyncio.wait_for(server.listening.wait(), 20)
    yield port
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def output(*command: object) -> str:
    process = await asyncio.create_subprocess_exec(
        *(str(word) for word in command),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    async with asyncio.timeout(20):
        out, _ = await process.communicate()
    return out.decode()


@pytest.fixture(scope="session")
def c_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compiled("client.c", tmp_path_factory.mktemp("client"))


async def test_a_c_library_reads_it(c_client: Path) -> None:
    async with served() as port:
        for function in (3, 4):
            got = (await output(c_client, port, 1, function, 0, 125)).splitlines()
            assert [int(line) for line in got[:-1]] == REGISTERS[:125]
            assert got[-1] == "dp 512.50"
        last = await output(c_client, port, 1, 3, len(REGISTERS) - 2, 2)
        assert last.split() == ["0", "0"]
        refusals = {
            (1, 3, len(REGISTERS) - 1, 2): "Illegal data address",
            (1, 6, 0, 99): "Illegal function",
            (2, 3, 0, 1): "Target device failed to respond",
        }
        for request, words in refusals.items():
            assert (await output(c_client, port, *request)).strip() == f"error: {words}"


async def test_mbpoll_reads_it() -> None:
    if not shutil.which("mbpoll"):
        needed("mbpoll")
    async with served() as port:
        base = ["mbpoll", "-m", "tcp", "-p", port, "-a", 1, "-0", "-1"]
        out = await output(*base, "-r", 4, "-c", 2, "-t", "4:float", "-B", "127.0.0.1")
        assert re.findall(r"\[\d+\]:\s+(\S+)", out) == ["512.5", "600000"]
        out = await output(*base, "-r", 0, "-c", 4, "-t", "3", "127.0.0.1")
        assert re.findall(r"\[\d+\]:\s+(\S+)", out) == [str(MAP_VERSION), "7", "3", "0"]


async def test_pymodbus_reads_it_and_two_requests_at_once() -> None:
    async with served() as port:
        client = AsyncModbusTcpClient("127.0.0.1", port=port)
        await client.connect()
        read = await client.read_holding_registers(0, count=100, device_id=1)
        assert read.registers == REGISTERS[:100]
        client.close()

        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        one, two = (bytes.fromhex(f"000{n} 0000 0006 01 03 000{n} 0001") for n in (1, 2))
        writer.write(one + two)
        async with asyncio.timeout(20):
            both = await reader.readexactly(22)
        assert both == bytes.fromhex("0001 0000 0005 01 03 02 0007 0002 0000 0005 01 03 02 0003")
        writer.close()
        await writer.wait_closed()


@pytest.mark.parametrize("sent", [b"GET / HTTP/1.0\r\n\r\n", b""])
async def test_nonsense_and_silence_are_let_go(sent: bytes) -> None:
    async with served(idle_s=0.05) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(sent)
        async with asyncio.timeout(20):
            with contextlib.suppress(ConnectionError):
                assert await reader.read() == b""
        writer.close()


async def test_one_client_too_many_is_turned_away() -> None:
    async with served(most_connections=1) as port:
        first_reader, first = await asyncio.open_connection("127.0.0.1", port)
        request = bytes.fromhex("0001 0000 0006 01 03 0000 0001")
        first.write(request)
        async with asyncio.timeout(20):
            assert len(await first_reader.readexactly(11)) == 11
            reader, second = await asyncio.open_connection("127.0.0.1", port)
            assert await reader.read() == b""
            first.write(request)
            assert len(await first_reader.readexactly(11)) == 11
        for one in (first, second):
            one.close()
            with contextlib.suppress(ConnectionError):
                await one.wait_closed()


async def test_a_port_that_is_taken_is_told_once_and_costs_nothing_else() -> None:
    async with served() as port:
        server = PlcServer(Plc(port=port), lambda _: None)
        with structlog.testing.capture_logs() as logs:
            task = asyncio.create_task(server.run())
            await until(lambda: bool(logs), "the warning")
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        (told,) = logs
        assert told["event"] == "PLC server cannot listen"
        assert f"127.0.0.1:{port}" in told["cause"]
