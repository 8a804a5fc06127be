"""The serial line: frames byte for byte, CRC, silence, timing."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import crcmod.predefined
import pytest
import pytest_asyncio
from pymodbus.framer import FramerRTU

from device.samples import RTU_SAMPLES, sample_image
from device.wire import PtyWire
from dustcake_sim.modbus_serial import (
    LineTime,
    ModbusSerialServer,
    SerialError,
    character_s,
    frame_gap_s,
    is_pseudo_terminal,
    request_size,
)
from system_support.memory_image import MemoryImage
from system_support.wire_faults import FaultKind, WireFault, faults_on

READ, READ_REPLY = (bytes.fromhex(each) for each in RTU_SAMPLES[2])
WRITE = bytes.fromhex(RTU_SAMPLES[6][0])


def framed(body: bytes) -> bytes:
    crc: int = crcmod.predefined.mkCrcFun("modbus")(body)
    return body + crc.to_bytes(2, "little")


@pytest.fixture
def image() -> MemoryImage:
    return sample_image()


@pytest_asyncio.fixture
async def wire(image: MemoryImage) -> AsyncIterator[PtyWire]:
    wire = PtyWire()
    yield wire
    wire.close()


@pytest_asyncio.fixture
async def server(image: MemoryImage, wire: PtyWire) -> AsyncIterator[ModbusSerialServer]:
    async with ModbusSerialServer({1: image, 17: image}, wire.port, parity="N") as running:
        yield running


@pytest.mark.parametrize(("request_hex", "reply_hex"), RTU_SAMPLES)
async def test_specification_samples(
    server: ModbusSerialServer, wire: PtyWire, request_hex: str, reply_hex: str
) -> None:
    reply = bytes.fromhex(reply_hex)
    assert await wire.ask(bytes.fromhex(request_hex), len(reply)) == reply


async def ask_until_answered(wire: PtyWire, frame: bytes, size: int) -> bytes:
    """As a master does: a request swallowed by what went before is sent again."""
    for _ in range(20):
        if got := await wire.ask(frame, size, 0.5):
            return got
    pytest.fail("never answered")


@pytest.mark.parametrize(
    "nothing",
    [
        READ[:-1] + bytes([READ[-1] ^ 1]),
        framed(bytes.fromhex("02 03 00 6B 00 03")),
        framed(bytes.fromhex("02 03 06 02 2B 00 00 00 64")),
        READ[:5],
        bytes(300),
        b"\xff" * 3,
    ],
    ids=["crc", "absent unit", "another unit's reply", "cut off", "long rubbish", "noise"],
)
async def test_silence(
    server: ModbusSerialServer, wire: PtyWire, image: MemoryImage, nothing: bytes
) -> None:
    assert await wire.ask(nothing, 1, 0.2) == b""
    assert await ask_until_answered(wire, READ, len(READ_REPLY)) == READ_REPLY


async def test_unknown_function_is_answered_after_the_gap(
    server: ModbusSerialServer, wire: PtyWire
) -> None:
    request = framed(bytes.fromhex("01 11"))
    assert await wire.ask(request, 5) == framed(bytes.fromhex("01 91 01"))


async def test_a_frame_in_pieces(server: ModbusSerialServer, wire: PtyWire) -> None:
    assert await wire.ask(READ + READ, 2 * len(READ_REPLY)) == READ_REPLY * 2


async def test_a_broadcast_acts_and_is_not_answered(
    server: ModbusSerialServer, wire: PtyWire, image: MemoryImage
) -> None:
    write = framed(bytes.fromhex("00 06 00 01 00 09"))
    read = framed(bytes.fromhex("00 03 00 6B 00 03"))
    assert await wire.ask(write + read + READ, len(READ_REPLY)) == READ_REPLY
    assert image.holding_registers[1] == 9


async def test_faults(server: ModbusSerialServer, wire: PtyWire, image: MemoryImage) -> None:
    faults_on(server).inject(WireFault(FaultKind.GARBLE))
    faults_on(server).inject(WireFault(FaultKind.SHORT))
    faults_on(server).inject(WireFault(FaultKind.WRONG_UNIT))
    faults_on(server).inject(WireFault(FaultKind.DROP))
    garbled = await wire.ask(READ, len(READ_REPLY))
    assert garbled == READ_REPLY[:-1] + bytes([READ_REPLY[-1] ^ 0xFF])
    assert await wire.ask(READ, 5) == READ_REPLY[:5]
    assert await wire.ask(READ, len(READ_REPLY)) == framed(b"\x02" + READ_REPLY[1:-2])
    assert await wire.ask(WRITE + READ, len(READ_REPLY)) == READ_REPLY
    assert image.holding_registers[1] == 3


def test_request_sizes() -> None:
    for request_hex, _ in RTU_SAMPLES:
        frame = bytes.fromhex(request_hex)
        assert request_size(frame) == len(frame)
    assert request_size(b"\x01") is None
    assert request_size(b"\x01\x10\x00\x01\x00\x02") is None
    assert request_size(b"\x01\x2b\x00\x00\x00\x00\x00\x00") is None


@pytest.mark.parametrize(
    ("baud", "character_ms", "gap_ms"),
    [
        (1200, 9.166667, 32.083333),
        (9600, 1.145833, 4.010417),
        (19_200, 0.572917, 2.005208),
        (115_200, 0.095486, 1.75),
    ],
)
def test_times_on_the_line(baud: int, character_ms: float, gap_ms: float) -> None:
    assert character_s(baud) * 1000 == pytest.approx(character_ms, abs=6e-7)
    assert frame_gap_s(baud) * 1000 == pytest.approx(gap_ms, abs=6e-7)


def test_a_read_request_takes_nine_milliseconds_at_9600() -> None:
    assert len(READ) * character_s(9600) * 1000 == pytest.approx(9.166667, abs=6e-7)


def test_frames_follow_each_other_on_the_line() -> None:
    line = LineTime(9600, paced=True)
    asked_s = line.carry(len(READ), 100.0)
    assert asked_s == pytest.approx(100.009166667)
    answered_s = line.carry(len(READ_REPLY), asked_s)
    # 8 characters, 3.5 of silence, 11 characters.
    assert answered_s == pytest.approx(100.0 + 22.5 * character_s(9600))
    assert line.free_s == pytest.approx(answered_s + 0.004010417)
    # A frame that is handed over while the line is still taken waits for it.
    assert line.carry(8, answered_s) == pytest.approx(line.free_s - 0.004010417)
    assert line.carry(1, 200.0) == pytest.approx(200.0 + character_s(9600))
    unpaced = LineTime(9600, paced=False)
    assert [unpaced.carry(256, now_s) for now_s in (3.0, 3.0, 4.0)] == [3.0, 3.0, 4.0]


@pytest.mark.parametrize("baud", [1200, 9600])
async def test_a_reply_over_a_pseudo_terminal_takes_the_time_of_a_line(
    wire: PtyWire, image: MemoryImage, baud: int
) -> None:
    assert is_pseudo_terminal(wire.port)
    assert not is_pseudo_terminal("/dev/null")
    clock = asyncio.get_running_loop().time
    shortest_s = 22.5 * character_s(baud)
    async with ModbusSerialServer({1: image}, wire.port, baud=baud, parity="N"):
        begun_s = clock()
        assert await wire.ask(READ, len(READ_REPLY)) == READ_REPLY
        assert clock() - begun_s >= shortest_s
        # Two at once: the second reply comes a whole exchange later, and the silence between.
        begun_s = clock()
        assert await wire.ask(READ + READ, 2 * len(READ_REPLY)) == READ_REPLY * 2
        assert clock() - begun_s >= 2 * shortest_s + frame_gap_s(baud)


def test_crc_of_the_specifications_figure() -> None:
    assert framed(bytes.fromhex("02 07")) == bytes.fromhex("02 07 41 12")
    # The library gives the two bytes in the order they are sent.
    assert FramerRTU.compute_CRC(bytes.fromhex("02 07")) == 0x4112
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B


async def test_a_port_that_is_not_there() -> None:
    server = ModbusSerialServer({1: sample_image()}, "/dev/does-not-exist", parity="N")
    with pytest.raises(SerialError, match="/dev/does-not-exist at 19200 baud, parity N"):
        await server.start()
    with pytest.raises(RuntimeError, match="not started"):
        _ = server.lost


async def test_a_line_that_goes_away() -> None:
    wire = PtyWire()
    async with ModbusSerialServer({1: sample_image()}, wire.port, parity="N") as server:
        wire.close()
        with pytest.raises(SerialError, match="was lost"):
            await server.lost
