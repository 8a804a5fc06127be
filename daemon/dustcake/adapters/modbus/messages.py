"""Requests to a device, the client library's objects for them, and what counts as a reply.

The library accepts replies of another function, another length or another transaction, so each
reply is compared with its request here before the library may decode it.
"""

from collections.abc import Iterable

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerRTU
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteSingleRegisterRequest,
)

from dustcake.core.inputs import FailureKind, ReadFailure
from dustcake.core.record import record
from dustcake.settings.buses import BitTable, WordTable

Values = tuple[int, ...]
"""Registers, or bits as 0 and 1, in the order of their addresses; empty for a write."""


@record
class Read:
    """Read ``count`` bits or registers from ``address`` on."""

    unit: int
    table: BitTable | WordTable
    address: int
    count: int


@record
class WriteCoils:
    """Write consecutive coils from ``address`` on: function 05 for one, 0F for several."""

    unit: int
    address: int
    bits: tuple[bool, ...]


@record
class WriteRegister:
    """Write one holding register."""

    unit: int
    address: int
    word: int


Request = Read | WriteCoils | WriteRegister

_TABLES: dict[BitTable | WordTable, tuple[type[ModbusPDU], str]] = {
    BitTable.COIL: (ReadCoilsRequest, "coil"),
    BitTable.DISCRETE: (ReadDiscreteInputsRequest, "discrete input"),
    WordTable.HOLDING: (ReadHoldingRegistersRequest, "holding register"),
    WordTable.INPUT: (ReadInputRegistersRequest, "input register"),
}

_EXCEPTIONS: dict[int, str] = {
    ExcCodes.ILLEGAL_FUNCTION: "it does not know this function",
    ExcCodes.ILLEGAL_ADDRESS: "it has nothing at this address",
    ExcCodes.ILLEGAL_VALUE: "it does not accept this value or quantity",
    ExcCodes.DEVICE_FAILURE: "it has failed",
    ExcCodes.ACKNOWLEDGE: "it needs more time",
    ExcCodes.DEVICE_BUSY: "it is busy",
    ExcCodes.GATEWAY_PATH_UNAVIABLE: "the gateway has no path to it",
    ExcCodes.GATEWAY_NO_RESPONSE: "it did not answer the gateway",
}
"""The exception codes in plain words (application protocol V1.1b3, secondary source)."""


def to_pdu(request: Request) -> ModbusPDU:
    """``request`` as the client library's own object, fresh for one exchange."""
    match request:
        case Read(unit, table, address, count):
            return _TABLES[table][0](dev_id=unit, address=address, count=count)
        case WriteCoils(unit, address, (bit,)):
            return WriteSingleCoilRequest(dev_id=unit, address=address, bits=[bit])
        case WriteCoils(unit, address, bits):
            return WriteMultipleCoilsRequest(dev_id=unit, address=address, bits=list(bits))
        case WriteRegister(unit, address, word):
            return WriteSingleRegisterRequest(dev_id=unit, address=address, registers=[word])


def answer_of(request: Request, reply: ModbusPDU) -> Values | ReadFailure:
    """What ``reply``, already checked against ``request``, says."""
    if reply.isError():
        code = reply.exception_code
        why = _EXCEPTIONS.get(code, "no known reason")
        detail = f"the device refuses: {why} (exception {code})"
        return ReadFailure(FailureKind.EXCEPTION, detail)
    if not isinstance(request, Read):
        return ()
    if isinstance(request.table, WordTable):
        return tuple(reply.registers)
    return tuple(int(bit) for bit in reply.bits[: request.count])


def place(request: Request) -> str:
    """Which unit and address ``request`` is about, as a technician would say it."""
    if isinstance(request, Read):
        what, count = _TABLES[request.table][1], request.count
    elif isinstance(request, WriteCoils):
        what, count = "coil", len(request.bits)
    else:
        what, count = "holding register", 1
    first = request.address
    which = f"{what} {first}" if count == 1 else f"{what}s {first} to {first + count - 1}"
    return f"unit {request.unit}, {which}"


_MBAP = 7  # transaction (2), protocol (2), length (2), unit (1)
_EXCEPTION = 0x80
_EXCEPTION_PDU = 2
_BIT_READS = (1, 2)
_WORD_READS = (3, 4)


class BadReplyError(Exception):
    """What was received cannot be the reply to what was sent; the message says why."""


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
        expected = 1 + _good_reply(request)[1]
        if length not in (expected, 1 + _EXCEPTION_PDU):
            raise BadReplyError(f"the reply has length {length} instead of {expected}")
        is_good = length == expected
        if len(received) > _MBAP and is_good is bool(received[_MBAP] & _EXCEPTION):
            raise BadReplyError(f"the reply has length {length}, which its function denies")
    _check_unit(sent[_MBAP - 1], received[_MBAP - 1 : _MBAP])
    return _pdu_whole(request, received[_MBAP:], trailer=0)


def rtu_reply_whole(sent: bytes, received: bytes) -> bool:
    """Whether ``received`` is all of the reply to the serial frame ``sent``; False: more must
    come. Raises BadReplyError as soon as the bytes show that it is not that reply."""
    _check_unit(sent[0], received[:1])
    if not _pdu_whole(sent[1:-2], received[1:], trailer=2):
        return False
    if not FramerRTU.check_CRC(received[:-2], int.from_bytes(received[-2:], "big")):
        raise BadReplyError("the checksum of the reply is wrong: noise, or two devices with one id")
    return True


def _check_unit(unit: int, received: bytes) -> None:
    if received and received[0] != unit:
        raise BadReplyError(f"the reply comes from unit {received[0]}")


def _good_reply(request: bytes) -> tuple[bytes, int]:
    """What the PDU of a good reply to the PDU ``request`` begins with, and its length in bytes."""
    function, quantity = request[0], int.from_bytes(request[3:5], "big")
    if function in _BIT_READS + _WORD_READS:
        count = (quantity + 7) // 8 if function in _BIT_READS else 2 * quantity
        return bytes([function, count]), 2 + count
    return request[:5], 5  # a write is answered with its address, and its value or quantity


def _pdu_whole(request: bytes, received: bytes, trailer: int) -> bool:
    """The check both framings share. ``received``: reply PDU so far, and ``trailer`` bytes."""
    if not received:
        return False
    function = received[0]
    begins, length = _good_reply(request)
    if function & ~_EXCEPTION != request[0]:
        raise BadReplyError(f"function {request[0]} was answered with function {function}")
    if function & _EXCEPTION:
        length = _EXCEPTION_PDU
    elif not begins.startswith(received[: len(begins)]):
        if function in _BIT_READS + _WORD_READS:
            raise BadReplyError(f"the reply has {received[1]} data bytes instead of {begins[1]}")
        raise BadReplyError("the reply does not repeat what was written")
    missing = length + trailer - len(received)
    if missing < 0:
        raise BadReplyError(f"{-missing} more bytes than the reply has follow it")
    return missing == 0


MOST_WITH_GAPS = 16
"""Longest run of bits read together where there are gaps between them: one module's worth."""


def joined(spans: Iterable[range]) -> list[range]:
    """Consecutive addresses, in order, merged where they adjoin or where the result is short.

    Gaps are read along; a device that has nothing there refuses, and is then read span by span.
    """
    blocks: list[range] = []
    for span in sorted(spans, key=lambda each: each.start):
        last = blocks[-1] if blocks else span
        merged = range(last.start, max(last.stop, span.stop))
        if blocks and (span.start <= last.stop or len(merged) <= MOST_WITH_GAPS):
            blocks[-1] = merged
        else:
            blocks.append(span)
    return blocks
