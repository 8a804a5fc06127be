"""Protocol Buffers on the wire, as far as Sparkplug B payloads need it.

Written by hand: the protobuf library's C part has no wheel for 32-bit ARM, and three message types
need little. The encoding is the published one: a field is a varint key (number times eight plus
wire type) and a value; wire types 3, 4, 6 and 7 do not occur.
"""

from collections.abc import Iterator
from enum import IntEnum
from struct import pack

from dustcake.core.record import record

LONGEST_VARINT = 10  # bytes, for 64 bits


class WireType(IntEnum):
    """How a value is laid out."""

    VARINT = 0
    FIXED64 = 1
    LENGTH_DELIMITED = 2
    FIXED32 = 5


class PayloadError(ValueError):
    """Bytes that are no Sparkplug B payload; the message says what is wrong."""


@record
class Field:
    """One field as it came: ``number`` of a varint, or the ``data`` of anything else."""

    key: int
    wire_type: WireType
    number: int = 0
    data: bytes = b""


def varint(number: int) -> bytes:
    """``number``, 0 to 2**64 - 1, seven bits a byte, the lowest first."""
    out = bytearray()
    while number > 0x7F:
        out.append(0x80 | (number & 0x7F))
        number >>= 7
    out.append(number)
    return bytes(out)


def varint_field(key: int, number: int) -> bytes:
    """An unsigned integer or a bool."""
    return varint(key << 3 | WireType.VARINT) + varint(number)


def bytes_field(key: int, data: bytes) -> bytes:
    """Bytes, a UTF-8 string, or an embedded message."""
    return varint(key << 3 | WireType.LENGTH_DELIMITED) + varint(len(data)) + data


def float_field(key: int, value: float) -> bytes:
    """IEEE 754 single precision, little-endian."""
    return varint(key << 3 | WireType.FIXED32) + pack("<f", value)


def double_field(key: int, value: float) -> bytes:
    """IEEE 754 double precision, little-endian."""
    return varint(key << 3 | WireType.FIXED64) + pack("<d", value)


def fields(data: bytes) -> Iterator[Field]:
    """The fields of one message, in order. Raises ``PayloadError`` where the bytes are none."""
    at = 0
    while at < len(data):
        tag, at = _varint_at(data, at)
        key, layout = tag >> 3, tag & 7
        if key == 0:
            raise PayloadError("a field has the number 0")
        if layout == WireType.VARINT:
            number, at = _varint_at(data, at)
            yield Field(key, WireType.VARINT, number=number)
            continue
        if layout == WireType.LENGTH_DELIMITED:
            length, at = _varint_at(data, at)
        elif layout == WireType.FIXED64:
            length = 8
        elif layout == WireType.FIXED32:
            length = 4
        else:
            raise PayloadError(f"wire type {layout} is not used in Sparkplug B")
        if at + length > len(data):
            raise PayloadError("cut off in the middle of a field")
        yield Field(key, WireType(layout), data=data[at : at + length])
        at += length


def _varint_at(data: bytes, at: int) -> tuple[int, int]:
    """The varint at ``at``, and where it ends."""
    number = 0
    for place in range(LONGEST_VARINT):
        if at + place >= len(data):
            raise PayloadError("cut off in the middle of a number")
        byte = data[at + place]
        number |= (byte & 0x7F) << (7 * place)
        if byte < 0x80:
            if number >> 64:
                raise PayloadError("a number has more than 64 bits")
            return number, at + place + 1
    raise PayloadError(f"a number has more than {LONGEST_VARINT} bytes")
