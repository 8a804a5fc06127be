"""Replies as bytes: the published samples are believed, everything else is not.

PDU samples: application protocol V1.1b3, sections 6.1 to 6.12 (secondary source).
Frames: the same with CRC computed with crcmod 1.7.
"""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.adapters.modbus.connection import character_s, frame_gap_s
from dustcake.adapters.modbus.messages import BadReplyError, rtu_reply_whole, tcp_reply_whole
from ports.modbus.rogue import crc16

SAMPLES = {
    "coils 20-38": ("01 00 13 00 13", "01 03 CD 6B 05"),
    "inputs 197-218": ("02 00 C4 00 16", "02 03 AC DB 35"),
    "registers 108-110": ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    "input register 9": ("04 00 08 00 01", "04 02 00 0A"),
    "coil 173 on": ("05 00 AC FF 00", "05 00 AC FF 00"),
    "register 2 := 3": ("06 00 01 00 03", "06 00 01 00 03"),
    "10 coils from 20": ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    "2 registers from 2": ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    "exception": ("01 04 A1 00 01", "81 02"),
}
PAIRS = [
    pytest.param(bytes.fromhex(request), bytes.fromhex(reply), id=name)
    for name, (request, reply) in SAMPLES.items()
]
pairs = st.sampled_from([(bytes.fromhex(q), bytes.fromhex(r)) for q, r in SAMPLES.values()])


def rtu(pdu: bytes, unit: int = 1) -> bytes:
    frame = bytes([unit]) + pdu
    checksum: int = crc16(frame)
    return frame + checksum.to_bytes(2, "little")


def tcp(pdu: bytes, unit: int = 1, transaction: int = 7) -> bytes:
    length = len(pdu) + 1
    return transaction.to_bytes(2, "big") + bytes([0, 0, 0, length, unit]) + pdu


def test_crc_of_the_specification_figure() -> None:
    assert crc16(bytes.fromhex("02 07")) == 0x1241


def test_crc_check_value() -> None:
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.parametrize(
    ("baud", "gap_s"),
    [
        (1200, 0.032083333),
        (9600, 0.004010417),
        (19200, 0.002005208),
        (38400, 0.00175),
        (115200, 0.00175),
    ],
)
def test_gap_between_frames(baud: int, gap_s: float) -> None:
    assert frame_gap_s(baud) == pytest.approx(gap_s, rel=1e-6)


def test_time_of_a_read_request_on_the_wire() -> None:
    request = rtu(bytes.fromhex("03 00 6B 00 03"))
    assert len(request) * character_s(9600) == pytest.approx(9.166667e-3, rel=1e-6)


@pytest.mark.parametrize(("request_pdu", "reply_pdu"), PAIRS)
def test_samples_are_believed_once_whole(request_pdu: bytes, reply_pdu: bytes) -> None:
    for whole, sent, reply in (
        (rtu_reply_whole, rtu(request_pdu), rtu(reply_pdu)),
        (tcp_reply_whole, tcp(request_pdu), tcp(reply_pdu)),
    ):
        verdicts = [whole(sent, reply[:size]) for size in range(len(reply) + 1)]
        assert verdicts == [False] * len(reply) + [True]


@given(pairs, st.data())
def test_a_damaged_serial_reply_is_never_believed(
    pair: tuple[bytes, bytes], data: st.DataObject
) -> None:
    """The CRC finds every burst of up to 16 bits, so one wrong byte never passes."""
    sent, reply = rtu(pair[0]), bytearray(rtu(pair[1]))
    at = data.draw(st.integers(0, len(reply) - 1))
    reply[at] ^= data.draw(st.integers(1, 255))
    with suppress(BadReplyError):
        assert not rtu_reply_whole(sent, bytes(reply))


@given(pairs, st.binary(min_size=1, max_size=4))
def test_bytes_after_a_reply_are_not_passed_over(pair: tuple[bytes, bytes], more: bytes) -> None:
    with pytest.raises(BadReplyError):
        tcp_reply_whole(tcp(pair[0]), tcp(pair[1]) + more)
    with pytest.raises(BadReplyError):
        rtu_reply_whole(rtu(pair[0]), rtu(pair[1]) + more)


@given(pairs, st.binary(max_size=300))
def test_no_bytes_do_worse_than_being_refused(pair: tuple[bytes, bytes], noise: bytes) -> None:
    for whole, sent in ((rtu_reply_whole, rtu(pair[0])), (tcp_reply_whole, tcp(pair[0]))):
        with suppress(BadReplyError):
            assert isinstance(whole(sent, noise), bool)


READ = bytes.fromhex("03 00 6B 00 02")
WRITE = bytes.fromhex("05 00 AC FF 00")


@pytest.mark.parametrize(
    ("sent", "received", "why"),
    [
        (tcp(READ), tcp(bytes.fromhex("03 04 0000 0000"), transaction=0), "transaction id"),
        (tcp(READ), tcp(bytes.fromhex("03 04 0000 0000"), transaction=6), "transaction id"),
        (tcp(READ), bytes.fromhex("0007 0001 0007 01 03 04 0000 0000"), "protocol id"),
        (tcp(READ), tcp(bytes.fromhex("03 04 0000 0000"), unit=2), "unit 2"),
        (tcp(READ), tcp(bytes.fromhex("04 04 0000 0000")), "function 4"),
        (tcp(READ), tcp(bytes.fromhex("84 02")), "function 132"),
        (tcp(READ), tcp(bytes.fromhex("03 02 0000")), "length 5 instead of 7"),
        (tcp(READ), tcp(bytes.fromhex("03 06 0000 0000 0000")), "length 9 instead of 7"),
        (tcp(READ), tcp(bytes.fromhex("03 02 0000 0000")), "2 data bytes instead of 4"),
        (tcp(READ), tcp(bytes.fromhex("03 00")), "its function denies"),
        (tcp(READ), tcp(bytes.fromhex("83 02 00 00 00 00")), "its function denies"),
        (tcp(WRITE), tcp(bytes.fromhex("05 00 AC 00 00")), "does not repeat"),
        (tcp(WRITE), tcp(bytes.fromhex("05 00 AD FF 00")), "does not repeat"),
        (rtu(READ), rtu(bytes.fromhex("03 04 0000 0000"), unit=2), "unit 2"),
        (rtu(READ), rtu(bytes.fromhex("04 04 0000 0000")), "function 4"),
        (rtu(READ), rtu(bytes.fromhex("03 00")), "0 data bytes instead of 4"),
        (rtu(READ), rtu(bytes.fromhex("03 02 0000")), "2 data bytes instead of 4"),
        (rtu(READ), rtu(bytes.fromhex("03 06 0000 0000 0000")), "6 data bytes instead of 4"),
        (rtu(READ), rtu(bytes.fromhex("03 04 0000 0000"))[:-1] + b"\x00", "checksum"),
        (rtu(WRITE), rtu(bytes.fromhex("05 00 AC 00 00")), "does not repeat"),
        (rtu(WRITE), rtu(bytes.fromhex("05 00 AD FF 00")), "does not repeat"),
        (rtu(WRITE), rtu(bytes.fromhex("03 02 00 2A")), "function 3"),
    ],
)
def test_wrong_replies_are_refused_with_the_reason(sent: bytes, received: bytes, why: str) -> None:
    whole = rtu_reply_whole if sent[-2:] == rtu(sent[1:-2], sent[0])[-2:] else tcp_reply_whole
    with pytest.raises(BadReplyError, match=why):
        whole(sent, received)
