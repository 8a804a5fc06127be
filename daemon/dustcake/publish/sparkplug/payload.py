"""Sparkplug B payloads: metrics with name or alias, type, value, time and properties.

Field and type numbers are those of the open schema of the Sparkplug B payload (Sparkplug 3.0,
chapter 6). What is read is what a command can say: its time, and metrics with a text or a flag.

Protocol Buffers are written by hand: three message types need little, and the protobuf library
takes 7 MiB of memory. A field is a varint key (number times eight plus wire type) and a value.
"""

from collections.abc import Iterable, Iterator
from enum import IntEnum
from struct import pack

from dustcake.core.record import record

LONGEST_VARINT = 10  # bytes, for 64 bits
VARINT, FIXED64, LENGTH_DELIMITED = 0, 1, 2  # wire types
_FIXED_LENGTHS = {FIXED64: 8, 5: 4}

Value = bool | int | float | str


class DataType(IntEnum):
    """The types a metric of ours can have, with the numbers of the specification."""

    INT32 = 3
    INT64 = 4
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12


class QualityCode(IntEnum):
    """The values of the property `Quality` (Sparkplug 3.0, 6.4.9.1)."""

    BAD = 0
    GOOD = 192
    STALE = 500


class PayloadError(ValueError):
    """Bytes that are no Sparkplug B payload; the message says what is wrong."""


def varint(number: int) -> bytes:
    """``number``, 0 to 2**64 - 1, seven bits a byte, the lowest first."""
    out = bytearray()
    while number > 0x7F:
        out.append(0x80 | (number & 0x7F))
        number >>= 7
    out.append(number)
    return bytes(out)


def field(key: int, value: Value | bytes | None) -> bytes:
    """One field: a number from 0 to 2**64 - 1, a text, a real number in double precision, or an
    embedded message; nothing for None."""
    if value is None:
        return b""
    if isinstance(value, float):
        return varint(key << 3 | FIXED64) + pack("<d", value)
    if isinstance(value, int):
        return varint(key << 3 | VARINT) + varint(value)
    data = value.encode() if isinstance(value, str) else value
    return varint(key << 3 | LENGTH_DELIMITED) + varint(len(data)) + data


def payload(timestamp_ms: int | None, metrics: Iterable[bytes], seq: int | None = None) -> bytes:
    """One message. ``seq``: 0 to 255, None in deaths of the node."""
    listed = b"".join(field(2, each) for each in metrics)
    return field(1, timestamp_ms) + listed + field(3, seq)


def metric(
    datatype: DataType,
    value: Value | None,
    *,
    name: str | None = None,
    alias: int | None = None,
    timestamp_ms: int | None = None,
    has_type: bool = True,
    is_historical: bool = False,
    properties: Iterable[tuple[str, DataType, Value]] = (),
) -> bytes:
    """One metric. ``value`` None: there is none now. ``has_type``: whether the type travels with
    it, as in births. ``properties``: what is said of it, each with its name."""
    return b"".join(
        [
            field(1, name),
            field(2, alias),
            field(3, timestamp_ms),
            field(4, datatype if has_type else None),
            field(5, is_historical or None),
            field(7, value is None or None),
            field(9, _properties(properties) or None),
            _value(10, datatype, value),
        ]
    )


def _properties(properties: Iterable[tuple[str, DataType, Value]]) -> bytes:
    keys, values = b"", b""
    for key, datatype, value in properties:
        keys += field(1, key)
        values += field(2, field(1, datatype) + _value(3, datatype, value))
    return keys + values


def _value(first_key: int, datatype: DataType, value: Value | None) -> bytes:
    """In a metric the values begin at field 10, in a property at field 3, in the same order."""
    match datatype:
        case _ if value is None:
            return b""
        case DataType.INT32:
            return field(first_key, int(value) & 0xFFFF_FFFF)
        case DataType.INT64:
            return field(first_key + 1, int(value) & 0xFFFF_FFFF_FFFF_FFFF)
        case DataType.DOUBLE:
            return field(first_key + 3, float(value))
        case DataType.BOOLEAN:
            return field(first_key + 4, bool(value))
        case DataType.STRING:
            return field(first_key + 5, str(value))


@record
class Written:
    """What a command writes to the metric of ``name`` or ``alias``. ``value`` None: null, or
    something that is neither a text nor a flag."""

    name: str | None
    alias: int | None
    value: bool | str | None


def decode(data: bytes, most_metrics: int) -> tuple[int | None, list[Written]]:
    """When the command in ``data`` was sent, in ms, and what it writes. Raises ``PayloadError``,
    also where it has more than ``most_metrics``."""
    timestamp_ms: int | None = None
    written: list[Written] = []
    for key, value in _fields(data):
        if key == 1:
            timestamp_ms = _number(key, value)
        elif key == 2:
            if len(written) == most_metrics:
                raise PayloadError(f"it has more than {most_metrics} metrics")
            written.append(_decode_metric(_data(key, value)))
    return timestamp_ms, written


def _decode_metric(data: bytes) -> Written:
    found = dict(_fields(data))
    value: bool | str | None = None
    if 7 in found and _number(7, found[7]):
        pass  # null, whatever else it says
    elif 14 in found:
        value = _number(14, found[14]) != 0
    elif 15 in found:
        value = _text(15, found[15])
    name = _text(1, found[1]) if 1 in found else None
    return Written(name, _number(2, found[2]) if 2 in found else None, value)


def _fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Number and value of each field, in order. Raises ``PayloadError`` where the bytes are none.
    Those of a fixed length are passed over: nothing that is read has one."""
    at = 0
    while at < len(data):
        tag, at = _varint_at(data, at)
        key, wire_type = tag >> 3, tag & 7
        if key == 0:
            raise PayloadError("a field has the number 0")
        if wire_type == VARINT:
            number, at = _varint_at(data, at)
            yield key, number
            continue
        if wire_type == LENGTH_DELIMITED:
            length, at = _varint_at(data, at)
        elif wire_type in _FIXED_LENGTHS:
            length = _FIXED_LENGTHS[wire_type]
        else:
            raise PayloadError(f"wire type {wire_type} is not used in Sparkplug B")
        end = at + length
        if end > len(data):
            raise PayloadError("cut off in the middle of a field")
        if wire_type == LENGTH_DELIMITED:
            yield key, data[at:end]
        at = end


def _varint_at(data: bytes, at: int) -> tuple[int, int]:
    """The varint at ``at``, and where it ends."""
    number = 0
    for place, byte in enumerate(data[at : at + LONGEST_VARINT]):
        number |= (byte & 0x7F) << (7 * place)
        if byte < 0x80:
            if number >> 64:
                raise PayloadError("a number has more than 64 bits")
            return number, at + place + 1
    if at + LONGEST_VARINT > len(data):
        raise PayloadError("cut off in the middle of a number")
    raise PayloadError(f"a number has more than {LONGEST_VARINT} bytes")


def _number(key: int, value: int | bytes) -> int:
    if isinstance(value, bytes):
        raise PayloadError(f"field {key} is no number")
    return value


def _data(key: int, value: int | bytes) -> bytes:
    if isinstance(value, int):
        raise PayloadError(f"field {key} has no length")
    return value


def _text(key: int, value: int | bytes) -> str:
    try:
        return _data(key, value).decode()
    except UnicodeDecodeError:
        raise PayloadError(f"field {key} is not UTF-8") from None
