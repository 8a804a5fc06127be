"""Answering Modbus requests from an image of registers. Nothing can be written.

Modbus Application Protocol V1.1b3 (26 April 2012) and Modbus Messaging on TCP/IP (24 October
2006), from memory of both.
"""

from collections.abc import Callable, Sequence
from struct import pack, unpack_from

READERS = (3, 4)  # holding and input registers
MOST_REGISTERS = 125
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
GATEWAY_NO_TARGET = 11
HEADER_BYTES = 7
LONGEST_PDU = 253


def length_of(header: bytes) -> int | None:
    """How many bytes follow the ``HEADER_BYTES`` of a request; None: this is no Modbus."""
    _, protocol, length, _ = unpack_from(">HHHB", header)
    if protocol != 0 or not 2 <= length <= LONGEST_PDU + 1:
        return None
    rest: int = length - 1
    return rest


RegistersOf = Callable[[int], Sequence[int] | None]
"""The registers of a unit id; None where there is no such unit."""


def answer(header: bytes, pdu: bytes, registers_of: RegistersOf) -> bytes:
    """The whole reply."""
    transaction, _, _, unit = unpack_from(">HHHB", header)
    reply = _reply(pdu, registers_of(unit))
    return pack(">HHHB", transaction, 0, len(reply) + 1, unit) + reply


def _reply(pdu: bytes, registers: Sequence[int] | None) -> bytes:
    function = pdu[0]
    if registers is None:
        return _exception(function, GATEWAY_NO_TARGET)
    if function not in READERS:
        return _exception(function, ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _exception(function, ILLEGAL_VALUE)
    first, count = unpack_from(">HH", pdu, 1)
    if not 1 <= count <= MOST_REGISTERS:
        return _exception(function, ILLEGAL_VALUE)
    if first + count > len(registers):
        return _exception(function, ILLEGAL_ADDRESS)
    words = registers[first : first + count]
    return pack(f">BB{count}H", function, 2 * count, *words)


def _exception(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))
