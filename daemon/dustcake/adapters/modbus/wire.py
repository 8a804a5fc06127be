"""Modbus as bytes: the timing of a serial line, and what a reply must look like to be believed.

The client library accepts replies of another function, another length or another transaction,
so each reply is compared with its request here before the library may decode it.
"""

from pymodbus.framer import FramerRTU

BITS_PER_CHARACTER = 11
"""Start bit, eight data bits, parity (or a second stop bit), stop bit: serial line specification
V1.02 (secondary source)."""

LONGEST_FRAME = 256
"""Characters in the longest serial frame: application protocol V1.1b3 (secondary source)."""

FASTEST_COUNTED_BAUD = 19200
FIXED_GAP_S = 0.00175

_MBAP = 7  # transaction (2), protocol (2), length (2), unit (1)
_EXCEPTION = 0x80
_EXCEPTION_PDU = 2
_BIT_READS = (1, 2)
_WORD_READS = (3, 4)


class BadReplyError(Exception):
    """What was received cannot be the reply to what was sent; the message says why."""


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS of ``data`` as a number: 0x1241 for 02 07, as in the serial line
    specification (secondary source). It goes on the wire low byte first."""
    on_the_wire = FramerRTU.compute_CRC(data).to_bytes(2, "big")
    return int.from_bytes(on_the_wire, "little")


def character_s(baud: int) -> float:
    """Seconds one character takes on a line of ``baud`` bit/s."""
    return BITS_PER_CHARACTER / baud


def frame_gap_s(baud: int) -> float:
    """Least silence between two frames, in seconds: 3.5 characters, and a fixed 1.750 ms above
    19 200 bit/s (serial line specification V1.02, secondary source)."""
    if baud > FASTEST_COUNTED_BAUD:
        return FIXED_GAP_S
    return 3.5 * character_s(baud)


def tcp_reply_whole(sent: bytes, received: bytes) -> bool:
    """Whether ``received`` is all of the reply to the TCP frame ``sent``; False: more must come.

    Raises BadReplyError as soon as the bytes show that it is not that reply. Transaction id 0
    counts as wrong like any other that was not sent.
    """
    request = sent[_MBAP:]
    if received[:2] != sent[: len(received[:2])]:
        raise BadReplyError("the reply carries another transaction id than the request")
    if any(received[2:4]):
        raise BadReplyError("the reply is not Modbus: its protocol id is not 0")
    if len(received) >= _MBAP - 1:
        length = int.from_bytes(received[4:6], "big")
        expected = 1 + _reply_length(request)
        if length not in (expected, 1 + _EXCEPTION_PDU):
            raise BadReplyError(f"the reply has length {length} instead of {expected}")
        if len(received) > _MBAP and length != 1 + _length_begun(request, received[_MBAP]):
            raise BadReplyError(f"the reply has length {length}, which its function denies")
    _check_unit(sent[_MBAP - 1], received[_MBAP - 1 : _MBAP])
    return _pdu_whole(request, received[_MBAP:], trailer=0)


def rtu_reply_whole(sent: bytes, received: bytes) -> bool:
    """Whether ``received`` is all of the reply to the serial frame ``sent``; False: more must
    come. Raises BadReplyError as soon as the bytes show that it is not that reply."""
    _check_unit(sent[0], received[:1])
    if not _pdu_whole(sent[1:-2], received[1:], trailer=2):
        return False
    if int.from_bytes(received[-2:], "little") != crc16(received[:-2]):
        raise BadReplyError("the checksum of the reply is wrong: noise, or two devices with one id")
    return True


def _check_unit(asked: int, answered: bytes) -> None:
    if answered and answered[0] != asked:
        raise BadReplyError(f"the reply comes from unit {answered[0]}")


def _reply_length(request: bytes) -> int:
    """Bytes in the PDU of a good reply to the PDU ``request``."""
    quantity = int.from_bytes(request[3:5], "big")
    if request[0] in _BIT_READS:
        return 2 + (quantity + 7) // 8
    if request[0] in _WORD_READS:
        return 2 + 2 * quantity
    return 5  # a write is answered with its address, and its value or quantity


def _length_begun(request: bytes, function: int) -> int:
    """Bytes in the PDU of a reply that begins with ``function``."""
    return _EXCEPTION_PDU if function & _EXCEPTION else _reply_length(request)


def _pdu_whole(request: bytes, received: bytes, trailer: int) -> bool:
    """The check both framings share. ``received``: reply PDU so far, and ``trailer`` bytes."""
    if not received:
        return False
    function = received[0]
    if function & ~_EXCEPTION != request[0]:
        raise BadReplyError(f"function {request[0]} was answered with function {function}")
    if not function & _EXCEPTION:
        _check_start(request, received)
    missing = _length_begun(request, function) + trailer - len(received)
    if missing < 0:
        raise BadReplyError(f"{-missing} more bytes than the reply has follow it")
    return missing == 0


def _check_start(request: bytes, received: bytes) -> None:
    if request[0] in _BIT_READS + _WORD_READS:
        expected = _reply_length(request) - 2
        if len(received) > 1 and received[1] != expected:
            raise BadReplyError(f"the reply has {received[1]} data bytes instead of {expected}")
    elif received[:5] != request[: len(received[:5])]:
        raise BadReplyError("the reply does not repeat what was written")
