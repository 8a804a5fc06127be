"""The bytes our client puts on the wire and the replies it accepts, over a pty and over TCP.

PDU samples: application protocol V1.1b3, sections 6.1 to 6.12 (secondary source).
CRCs computed with crcmod 1.7.
"""

import pytest

from dustcake.adapters.modbus.messages import Read, Request, Values, WriteCoils, WriteRegister
from dustcake.core.inputs import FailureKind
from dustcake.settings.buses import BitTable, WordTable
from ports.modbus.conftest import OpenBus
from ports.modbus.rogue import RogueRtu, RogueTcp
from ports.modbus.support import failed


def bits(text: str, count: int) -> Values:
    """The bytes of ``text`` as bits, lowest first, the first ``count``."""
    data = bytes.fromhex(text)
    return tuple(data[n // 8] >> n % 8 & 1 for n in range(count))


SAMPLES = [
    pytest.param(
        Read(1, BitTable.COIL, 0x13, 19),
        "01 01 00 13 00 13 8C 02",
        "01 01 03 CD 6B 05 42 82",
        bits("CD 6B 05", 19),
        id="01",
    ),
    pytest.param(
        Read(1, BitTable.DISCRETE, 0xC4, 22),
        "01 02 00 C4 00 16 B8 39",
        "01 02 03 AC DB 35 22 88",
        bits("AC DB 35", 22),
        id="02",
    ),
    pytest.param(
        Read(1, WordTable.HOLDING, 0x6B, 3),
        "01 03 00 6B 00 03 74 17",
        "01 03 06 02 2B 00 00 00 64 05 7A",
        (555, 0, 100),
        id="03",
    ),
    pytest.param(
        Read(17, WordTable.HOLDING, 0x6B, 3),
        "11 03 00 6B 00 03 76 87",
        "11 03 06 02 2B 00 00 00 64 C8 BA",
        (555, 0, 100),
        id="03 unit 17",
    ),
    pytest.param(
        Read(1, WordTable.INPUT, 8, 1),
        "01 04 00 08 00 01 B0 08",
        "01 04 02 00 0A 39 37",
        (10,),
        id="04",
    ),
    pytest.param(
        WriteCoils(1, 0xAC, (True,)),
        "01 05 00 AC FF 00 4C 1B",
        "01 05 00 AC FF 00 4C 1B",
        (),
        id="05",
    ),
    pytest.param(
        WriteRegister(1, 1, 3),
        "01 06 00 01 00 03 98 0B",
        "01 06 00 01 00 03 98 0B",
        (),
        id="06",
    ),
    pytest.param(
        WriteCoils(1, 0x13, tuple(bool(bit) for bit in bits("CD 01", 10))),
        "01 0F 00 13 00 0A 02 CD 01 72 CB",
        "01 0F 00 13 00 0A 24 09",
        (),
        id="0F",
    ),
]


@pytest.mark.parametrize(("request_", "sent", "reply", "answer"), SAMPLES)
async def test_serial_frames(
    rtu: RogueRtu, bus_to: OpenBus, request_: Request, sent: str, reply: str, answer: Values
) -> None:
    rtu.units[17] = rtu.device
    rtu.tamper = lambda request, honest: bytes.fromhex(reply)
    async with bus_to(rtu).reserved() as channel:
        assert await channel.exchange(request_) == answer
    assert rtu.frames == [bytes.fromhex(sent)]


@pytest.mark.parametrize(("request_", "sent", "reply", "answer"), SAMPLES)
async def test_tcp_frames(
    tcp: RogueTcp, bus_to: OpenBus, request_: Request, sent: str, reply: str, answer: Values
) -> None:
    """Same PDUs behind a header: transaction 1, protocol 0, length of unit and PDU, unit."""
    tcp.units[17] = tcp.device
    frame, answered = bytes.fromhex(sent), bytes.fromhex(reply)
    tcp.tamper = lambda request, honest: tcp.frame(request, answered[0], answered[1:-2])
    async with bus_to(tcp).reserved() as channel:
        assert await channel.exchange(request_) == answer
    assert tcp.frames == [b"\0\1\0\0\0" + bytes([len(frame) - 2]) + frame[:-2]]


@pytest.mark.parametrize(
    ("request_", "sent", "reply", "code"),
    [
        (
            Read(1, BitTable.COIL, 0x04A1, 1),
            "01 01 04 A1 00 01 AD 18",
            "01 81 02 C1 91",
            2,
        ),
        (
            Read(1, WordTable.HOLDING, 0x6B, 3),
            "01 03 00 6B 00 03 74 17",
            "01 83 02 C0 F1",
            2,
        ),
    ],
)
async def test_exceptions(
    rtu: RogueRtu, bus_to: OpenBus, request_: Read, sent: str, reply: str, code: int
) -> None:
    rtu.tamper = lambda request, honest: bytes.fromhex(reply)
    detail = failed(await bus_to(rtu).read(request_), FailureKind.EXCEPTION)
    assert f"exception {code}" in detail
    assert "nothing at this address" in detail
    assert rtu.frames == [bytes.fromhex(sent)]


async def test_a_reply_in_pieces_is_put_together(tcp: RogueTcp, bus_to: OpenBus) -> None:
    """One byte a segment, and then the next exchange on the same connection."""
    tcp.device.holding[0] = 0x1234
    tcp.in_pieces = True
    bus = bus_to(tcp, timeout_s=2.0)
    for _ in range(2):
        assert await bus.read(Read(1, WordTable.HOLDING, 0, 1)) == (0x1234,)
    assert tcp.accepted == 1
