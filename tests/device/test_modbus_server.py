"""The TCP server: framing, order, absent units, faults on request."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio

from device.samples import PDU_SAMPLES, sample_image
from device.wire import TcpWire, tcp_frame
from dustcake_sim.modbus_server import AbsentUnit, ModbusServer
from system_support.memory_image import MemoryImage
from system_support.wire_faults import FaultKind, WireFault, faults_on

READ = bytes.fromhex("03 00 6B 00 03")
READ_REPLY = bytes.fromhex("03 06 02 2B 00 00 00 64")
WRITE = bytes.fromhex("06 00 01 00 03")


@pytest_asyncio.fixture
async def image() -> MemoryImage:
    return sample_image()


@pytest_asyncio.fixture
async def server(image: MemoryImage) -> AsyncIterator[ModbusServer]:
    async with ModbusServer({1: image, 17: image}) as running:
        yield running


@pytest_asyncio.fixture
async def wire(server: ModbusServer) -> AsyncIterator[TcpWire]:
    wire = await TcpWire.open(server.port)
    yield wire
    await wire.close()


async def test_specification_samples(wire: TcpWire) -> None:
    for transaction, (request_hex, reply_hex) in enumerate(PDU_SAMPLES, start=0x15A0):
        await wire.send(tcp_frame(bytes.fromhex(request_hex), 17, transaction))
        assert await wire.receive() == (transaction, 17, bytes.fromhex(reply_hex))


async def test_length_field_counts_unit_and_pdu(wire: TcpWire) -> None:
    await wire.send(bytes.fromhex("00 01 00 00 00 06 01 03 00 6B 00 03"))
    reply = await asyncio.wait_for(wire.reader.readexactly(15), 10.0)
    assert reply == bytes.fromhex("00 01 00 00 00 09 01 03 06 02 2B 00 00 00 64")


async def test_several_requests_in_one_segment_are_answered_in_order(wire: TcpWire) -> None:
    await wire.send(*(tcp_frame(READ, 1, transaction) for transaction in (7, 8, 9)))
    assert [await wire.receive() for _ in range(3)] == [(n, 1, READ_REPLY) for n in (7, 8, 9)]


async def test_a_request_in_pieces_is_put_together(wire: TcpWire, server: ModbusServer) -> None:
    frame = tcp_frame(READ, 1, 0x0102)
    for octet in frame[:-1]:
        await wire.send(bytes([octet]))
        await asyncio.sleep(0)
    assert server.exchange.requests == 0
    await wire.send(frame[-1:])
    assert await wire.receive() == (0x0102, 1, READ_REPLY)


async def test_an_absent_unit_gets_silence(wire: TcpWire) -> None:
    await wire.send(tcp_frame(READ, 2, 1), tcp_frame(READ, 1, 2))
    assert await wire.receive() == (2, 1, READ_REPLY)


async def test_a_gateway_says_that_the_unit_is_absent() -> None:
    async with ModbusServer({1: sample_image()}, absent_unit=AbsentUnit.GATEWAY) as server:
        wire = await TcpWire.open(server.port)
        assert await wire.ask(READ, unit=2) == bytes.fromhex("83 0B")
        await wire.close()


@pytest.mark.parametrize(
    "rubbish",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        struct.pack(">HHHB", 1, 1, 6, 1) + READ,
        struct.pack(">HHHB", 1, 0, 1, 1),
        struct.pack(">HHHB", 1, 0, 255, 1) + bytes(254),
    ],
    ids=["text", "protocol id", "no function code", "too long"],
)
async def test_rubbish_closes_the_connection(
    wire: TcpWire, server: ModbusServer, rubbish: bytes
) -> None:
    await wire.send(rubbish)
    assert await wire.closed()
    assert server.exchange.requests == 0
    again = await TcpWire.open(server.port)
    assert await again.ask(READ) == READ_REPLY
    await again.close()


async def test_clients_do_not_mix(server: ModbusServer, wire: TcpWire) -> None:
    other = await TcpWire.open(server.port)
    faults_on(server).inject(WireFault(FaultKind.DELAY, delay_s=0.05))
    await wire.send(tcp_frame(READ, 1, 21))
    assert await other.ask(READ, transaction=22) == READ_REPLY
    assert await wire.receive() == (21, 1, READ_REPLY)
    await other.close()


async def test_a_late_reply_keeps_its_transaction_and_its_place(
    server: ModbusServer, wire: TcpWire
) -> None:
    faults_on(server).inject(WireFault(FaultKind.DELAY, delay_s=0.05))
    await wire.send(tcp_frame(READ, 1, 31))
    await wire.send(tcp_frame(WRITE, 1, 32))
    assert await wire.receive() == (31, 1, READ_REPLY)
    assert await wire.receive() == (32, 1, WRITE)


@pytest.mark.parametrize(
    ("fault", "reply"),
    [
        (WireFault(FaultKind.WRONG_UNIT), (5, 2, READ_REPLY)),
        (WireFault(FaultKind.WRONG_TRANSACTION), (6, 1, READ_REPLY)),
        (WireFault(FaultKind.WRONG_FUNCTION), (5, 1, b"\x02" + READ_REPLY[1:])),
        (WireFault(FaultKind.WRONG_COUNT), (5, 1, bytes.fromhex("03 04 02 2B 00 00"))),
        (WireFault(FaultKind.EXCEPTION, exception_code=6), (5, 1, bytes.fromhex("83 06"))),
        (WireFault(FaultKind.DELAY, acts=False), (5, 1, bytes.fromhex("83 04"))),
    ],
    ids=lambda value: value.kind.value if isinstance(value, WireFault) else "",
)
async def test_faults_that_arrive(
    server: ModbusServer, wire: TcpWire, fault: WireFault, reply: tuple[int, int, bytes]
) -> None:
    faults_on(server).inject(fault)
    await wire.send(tcp_frame(READ, 1, 5), tcp_frame(READ, 1, 50))
    assert await wire.receive() == reply
    assert await wire.receive() == (50, 1, READ_REPLY), "the fault is used up"


async def test_a_dropped_reply_to_a_write_that_was_done(
    server: ModbusServer, wire: TcpWire, image: MemoryImage
) -> None:
    faults_on(server).inject(WireFault(FaultKind.DROP), function=0x06)
    await wire.send(tcp_frame(READ, 1, 1), tcp_frame(WRITE, 1, 2), tcp_frame(READ, 1, 3))
    assert [(await wire.receive())[0] for _ in range(2)] == [1, 3]
    assert len(image.writes) == 1


@pytest.mark.parametrize(
    "fault", [WireFault(FaultKind.EXCEPTION), WireFault(FaultKind.DROP, acts=False)]
)
async def test_a_write_that_was_not_done(
    server: ModbusServer, wire: TcpWire, image: MemoryImage, fault: WireFault
) -> None:
    faults_on(server).inject(fault)
    await wire.send(tcp_frame(WRITE, 1, 2), tcp_frame(READ, 1, 3))
    while (await wire.receive())[0] != 3:
        pass
    assert image.writes == []


async def test_garbled_and_short_frames(server: ModbusServer, wire: TcpWire) -> None:
    faults_on(server).inject(WireFault(FaultKind.GARBLE))
    faults_on(server).inject(WireFault(FaultKind.SHORT))
    await wire.send(tcp_frame(READ, 1, 1), tcp_frame(READ, 1, 2))
    whole = tcp_frame(READ_REPLY, 1, 1)
    assert await wire.reader.readexactly(len(whole)) == whole[:2] + b"\xff\xff" + whole[4:]
    half = tcp_frame(READ_REPLY, 1, 2)[: len(whole) // 2]
    assert await wire.reader.readexactly(len(half)) == half


async def test_close_in_place_of_a_reply(server: ModbusServer, wire: TcpWire) -> None:
    faults_on(server).inject(WireFault(FaultKind.CLOSE))
    await wire.send(tcp_frame(READ))
    assert await wire.closed()


async def test_dropped_connections_and_a_listening_server(
    server: ModbusServer, wire: TcpWire
) -> None:
    await wire.ask(READ)
    server.drop_connections()
    assert await wire.closed()
    again = await TcpWire.open(server.port)
    assert await again.ask(READ) == READ_REPLY
    await again.close()


async def test_a_silenced_device_does_nothing(
    server: ModbusServer, wire: TcpWire, image: MemoryImage
) -> None:
    asked = asyncio.Event()

    def silenced_once() -> bool:
        first = not asked.is_set()
        asked.set()
        return first

    server.exchange.silenced = silenced_once
    await wire.send(tcp_frame(WRITE, 1, 1))
    await asked.wait()
    assert await wire.ask(READ, transaction=2) == READ_REPLY
    assert image.writes == []


async def test_stopping_leaves_no_task_and_no_connection() -> None:
    server = ModbusServer({1: sample_image()})
    with pytest.raises(RuntimeError, match="not started"):
        _ = server.port
    await server.start()
    wire = await TcpWire.open(server.port)
    faults_on(server).inject(WireFault(FaultKind.DELAY, delay_s=3600.0))
    asked = asyncio.Event()

    def never_silenced() -> bool:
        asked.set()
        return False

    server.exchange.silenced = never_silenced
    await wire.send(tcp_frame(READ))
    await asked.wait()
    await server.stop()
    assert await wire.closed()
    assert server.connections == 0
    assert asyncio.all_tasks() == {asyncio.current_task()}
    await wire.close()
