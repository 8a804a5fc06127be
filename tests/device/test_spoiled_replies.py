"""Spoiled replies against clients that are not the simulator's: the daemon's own adapter, mbpoll
(a C library) and uModbus. None may take a wrong value for a reading, and all must come back."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import socket
from collections.abc import AsyncIterator, Awaitable, Callable

import pytest
import pytest_asyncio
from umodbus.client import tcp as umodbus

from device.samples import sample_image
from device.wire import PtyWire, required_tool
from dustcake.adapters.host import SystemClock
from dustcake.adapters.modbus import Bus
from dustcake.adapters.modbus.messages import Read
from dustcake.core.inputs import FailureKind, ReadFailure
from dustcake.settings.buses import SerialBus, TcpBus, WordTable
from dustcake_sim.modbus_serial import ModbusSerialServer
from dustcake_sim.modbus_server import ModbusServer
from system_support.memory_image import MemoryImage
from system_support.wire_faults import FaultKind, WireFault, faults_on

RIGHT = (555, 0, 100)
TIMEOUT_S = 1.0
READ = Read(1, WordTable.HOLDING, 107, 3)
LATE = WireFault(FaultKind.DELAY, delay_s=1.5 * TIMEOUT_S)
"""After the reply, though late, has come and been thrown away."""

ON_BOTH = (
    (WireFault(FaultKind.DROP), {FailureKind.TIMEOUT}),
    (LATE, {FailureKind.TIMEOUT}),
    (WireFault(FaultKind.GARBLE), {FailureKind.TIMEOUT, FailureKind.BAD_REPLY, FailureKind.LOST}),
    (WireFault(FaultKind.WRONG_UNIT), {FailureKind.TIMEOUT, FailureKind.BAD_REPLY}),
    (WireFault(FaultKind.WRONG_FUNCTION), {FailureKind.BAD_REPLY}),
    (WireFault(FaultKind.WRONG_COUNT), {FailureKind.BAD_REPLY}),
    (WireFault(FaultKind.SHORT), {FailureKind.TIMEOUT, FailureKind.BAD_REPLY}),
    (WireFault(FaultKind.EXCEPTION, exception_code=6), {FailureKind.EXCEPTION}),
)
ON_TCP = (
    *ON_BOTH,
    (WireFault(FaultKind.WRONG_TRANSACTION), {FailureKind.TIMEOUT, FailureKind.BAD_REPLY}),
    (WireFault(FaultKind.CLOSE), {FailureKind.LOST}),
)


def name(value: object) -> str:
    return value.kind.value if isinstance(value, WireFault) else ""


@pytest_asyncio.fixture
async def image() -> MemoryImage:
    return sample_image()


@pytest_asyncio.fixture
async def server(image: MemoryImage) -> AsyncIterator[ModbusServer]:
    async with ModbusServer({1: image}) as running:
        yield running


@contextlib.asynccontextmanager
async def joined(first: PtyWire, second: PtyWire) -> AsyncIterator[None]:
    """What is written to one pseudo-terminal comes out of the other."""
    loop = asyncio.get_running_loop()
    for here, there in ((first.master, second.master), (second.master, first.master)):

        def carry(source: int = here, sink: int = there) -> None:
            with contextlib.suppress(BlockingIOError):
                os.write(sink, os.read(source, 256))

        loop.add_reader(here, carry)
    try:
        yield
    finally:
        loop.remove_reader(first.master)
        loop.remove_reader(second.master)


async def fails_and_comes_back(bus: Bus, kinds: set[FailureKind]) -> None:
    spoiled = await bus.read(READ)
    assert isinstance(spoiled, ReadFailure), spoiled
    assert spoiled.kind in kinds, spoiled
    assert spoiled.detail
    # The first reading that comes again is the right one, and never what was on its way.
    for _ in range(20):
        answer = await bus.read(READ)
        if not isinstance(answer, ReadFailure):
            assert answer == RIGHT
            return
    pytest.fail("it never came back")


@pytest.mark.parametrize(("fault", "kinds"), ON_TCP, ids=name)
async def test_the_adapter_over_tcp(
    server: ModbusServer, fault: WireFault, kinds: set[FailureKind]
) -> None:
    settings = TcpBus(
        kind="tcp", name="hall", host="127.0.0.1", port=server.port, timeout_s=TIMEOUT_S, retries=0
    )
    bus = Bus(settings, SystemClock())
    try:
        assert await bus.read(READ) == RIGHT
        faults_on(server).inject(fault)
        await fails_and_comes_back(bus, kinds)
    finally:
        await bus.aclose()


@pytest.mark.parametrize(("fault", "kinds"), ON_BOTH, ids=name)
async def test_the_adapter_over_a_serial_line(
    image: MemoryImage, fault: WireFault, kinds: set[FailureKind]
) -> None:
    ours, theirs = PtyWire(), PtyWire()
    settings = SerialBus(
        kind="rtu", name="hall", port=theirs.port, parity="none", timeout_s=TIMEOUT_S, retries=0
    )
    async with joined(ours, theirs), ModbusSerialServer({1: image}, ours.port, parity="N") as line:
        bus = Bus(settings, SystemClock())
        try:
            assert await bus.read(READ) == RIGHT
            faults_on(line).inject(fault)
            await fails_and_comes_back(bus, kinds)
        finally:
            await bus.aclose()
    ours.close()
    theirs.close()


async def mbpoll(port: int) -> tuple[int, dict[int, int]]:
    """One poll by a program over libmodbus: its exit code, and the values it shows."""
    options = ["-m", "tcp", "-p", str(port), "-a", "1", "-t", "4", "-r", "107", "-c", "3"]
    process = await asyncio.create_subprocess_exec(
        required_tool("mbpoll"), "-1", "-0", "-q", "-o", f"{TIMEOUT_S}", *options, "127.0.0.1",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    output, _ = await process.communicate()
    found = re.findall(r"^\[(\d+)\]:\s+(-?\d+)", output.decode(), re.MULTILINE)
    assert process.returncode is not None
    return process.returncode, {int(address): int(value) for address, value in found}


NOT_SEEN_BY_MBPOLL = (FaultKind.WRONG_UNIT,)
"""libmodbus does not look at the unit of a reply over TCP."""


@pytest.mark.parametrize(
    "fault", [fault for fault, _ in ON_TCP if fault.kind not in NOT_SEEN_BY_MBPOLL], ids=name
)
async def test_mbpoll(server: ModbusServer, fault: WireFault) -> None:
    faults_on(server).inject(fault)
    code, shown = await mbpoll(server.port)
    assert shown == {}, "a spoiled reply was taken for a reading"
    assert code != 0
    assert await mbpoll(server.port) == (0, {107: 555, 108: 0, 109: 100})


def asked_by_umodbus(port: int) -> list[int]:
    with contextlib.closing(socket.create_connection(("127.0.0.1", port), TIMEOUT_S)) as link:
        answer: list[int] = umodbus.send_message(umodbus.read_holding_registers(1, 107, 3), link)
        return answer


REFUSED_BY_UMODBUS = (
    WireFault(FaultKind.DROP),
    LATE,
    WireFault(FaultKind.SHORT),
    WireFault(FaultKind.EXCEPTION, exception_code=6),
    WireFault(FaultKind.CLOSE),
)
"""uModbus checks neither transaction nor unit of a reply, so the others prove nothing there."""


@pytest.mark.parametrize("fault", REFUSED_BY_UMODBUS, ids=name)
async def test_umodbus(server: ModbusServer, fault: WireFault) -> None:
    ask: Callable[[], Awaitable[list[int]]] = lambda: asyncio.to_thread(  # noqa: E731
        asked_by_umodbus, server.port
    )
    faults_on(server).inject(fault)
    with pytest.raises(Exception):  # noqa: B017 - it has a type of its own for each
        await ask()
    assert tuple(await ask()) == RIGHT


async def test_a_late_reply_is_late_for_a_foreign_client_by_so_much(server: ModbusServer) -> None:
    faults_on(server).inject(WireFault(FaultKind.DELAY, delay_s=0.2))
    clock = asyncio.get_running_loop().time
    begun_s = clock()
    assert (await mbpoll(server.port))[1] == {107: 555, 108: 0, 109: 100}
    assert clock() - begun_s >= 0.2
