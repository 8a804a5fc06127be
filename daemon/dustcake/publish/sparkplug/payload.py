"""Sparkplug B payloads: metrics with name or alias, type, value, time and properties.

Field and type numbers are those of the open schema of the Sparkplug B payload (Sparkplug 3.0,
chapter 6). Data sets, templates and files are not used here: a decoded one is a metric without
a value.

Protocol Buffers are written by hand: the protobuf library's C part has no wheel for 32-bit ARM, and
three message types need little. The encoding is the published one: a field is a varint key (number
times eight plus wire type) and a value; wire types 3, 4, 6 and 7 do not occur.
"""

from collections.abc import Iterator, Mapping, Sequence
from enum import IntEnum
from struct import pack, unpack

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


Value = bool | int | float | str
LARGEST_DATATYPE = 34  # the arrays end there


class DataType(IntEnum):
    """The types a metric of ours can have, with the numbers of the specification."""

    INT32 = 3
    INT64 = 4
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12


class QualityCode(IntEnum):
    """The values of the property `Quality` (Sparkplug 3.0, 6.4.9.1)."""

    BAD = 0
    GOOD = 192
    STALE = 500


QUALITY, UNIT = "Quality", "unit"
_BITS = {DataType.INT32: 32, DataType.INT64: 64, DataType.UINT32: 32, DataType.UINT64: 64}


@record
class Property:
    """Something said of a metric, beside its value."""

    key: str
    datatype: DataType
    value: Value


@record
class Metric:
    """One metric. ``name`` stands in births and wherever there is no ``alias``. ``value`` None:
    there is none now. ``tells_type``: whether the type travels with it, as in births; one that
    came without has ``datatype`` None."""

    name: str | None
    alias: int | None
    timestamp_ms: int | None
    datatype: DataType | int | None
    value: Value | None
    tells_type: bool = True
    is_historical: bool = False
    properties: tuple[Property, ...] = ()


@record
class Payload:
    """One message. ``seq``: 0 to 255, None in deaths of the node and in commands."""

    timestamp_ms: int | None
    metrics: tuple[Metric, ...]
    seq: int | None = None


def encode(payload: Payload) -> bytes:
    """The bytes of ``payload``."""
    metrics = (bytes_field(2, _encode_metric(metric)) for metric in payload.metrics)
    return _numbers({1: payload.timestamp_ms}) + b"".join(metrics) + _numbers({3: payload.seq})


def _numbers(fields: Mapping[int, int | None]) -> bytes:
    """Those that are there, by the number of their field."""
    return b"".join(varint_field(key, each) for key, each in fields.items() if each is not None)


def _encode_metric(metric: Metric) -> bytes:
    out = b"" if metric.name is None else bytes_field(1, metric.name.encode())
    out += _numbers(
        {
            2: metric.alias,
            3: metric.timestamp_ms,
            4: metric.datatype if metric.tells_type else None,
            5: 1 if metric.is_historical else None,
            7: 1 if metric.value is None else None,
        }
    )
    if metric.properties:
        out += bytes_field(9, _encode_properties(metric.properties))
    if metric.value is not None:
        out += _encode_value(DataType(metric.datatype or 0), metric.value, 10)
    return out


def _encode_properties(properties: Sequence[Property]) -> bytes:
    out = b"".join(bytes_field(1, each.key.encode()) for each in properties)
    for each in properties:
        value = varint_field(1, each.datatype) + _encode_value(each.datatype, each.value, 3)
        out += bytes_field(2, value)
    return out


def _encode_value(datatype: DataType, value: Value, first_key: int) -> bytes:
    """In a metric the values begin at field 10, in a property at field 3, in the same order."""
    match datatype:
        case DataType.INT32 | DataType.UINT32:
            return varint_field(first_key, int(value) & 0xFFFF_FFFF)
        case DataType.INT64 | DataType.UINT64:
            return varint_field(first_key + 1, int(value) & 0xFFFF_FFFF_FFFF_FFFF)
        case DataType.FLOAT:
            return float_field(first_key + 2, float(value))
        case DataType.DOUBLE:
            return double_field(first_key + 3, float(value))
        case DataType.BOOLEAN:
            return varint_field(first_key + 4, int(value))
        case _:
            return bytes_field(first_key + 5, str(value).encode())


def decode(data: bytes, most_metrics: int | None = None) -> Payload:
    """The payload in ``data``. Raises ``PayloadError``, also where it has more than
    ``most_metrics``."""
    timestamp_ms: int | None = None
    seq: int | None = None
    metrics: list[Metric] = []
    for field in fields(data):
        if field.key == 1:
            timestamp_ms = _number(field)
        elif field.key == 2:
            if len(metrics) == most_metrics:
                raise PayloadError(f"it has more than {most_metrics} metrics")
            metrics.append(_decode_metric(_data(field)))
        elif field.key == 3:
            seq = _number(field)
    return Payload(timestamp_ms, tuple(metrics), seq)


def _decode_metric(data: bytes) -> Metric:
    found = {field.key: field for field in fields(data)}
    datatype = _optional_number(found, 4)
    if datatype is not None and not 1 <= datatype <= LARGEST_DATATYPE:
        raise PayloadError(f"there is no data type {datatype}")
    value = None if _optional_number(found, 7) else _decode_value(found, 10, datatype)
    return Metric(
        name=_text(found[1]) if 1 in found else None,
        alias=_optional_number(found, 2),
        timestamp_ms=_optional_number(found, 3),
        datatype=datatype,
        value=value,
        tells_type=datatype is not None,
        is_historical=bool(_optional_number(found, 5)),
        properties=_decode_properties(_data(found[9])) if 9 in found else (),
    )


def _decode_properties(data: bytes) -> tuple[Property, ...]:
    """Those of a type of ours that have a value; others are left out."""
    keys: list[str] = []
    values: list[dict[int, Field]] = []
    for field in fields(data):
        if field.key == 1:
            keys.append(_text(field))
        elif field.key == 2:
            values.append({each.key: each for each in fields(_data(field))})
    if len(keys) != len(values):
        raise PayloadError(f"{len(keys)} names for {len(values)} properties")
    found: list[Property] = []
    for key, parts in zip(keys, values, strict=True):
        datatype = _number(parts[1]) if 1 in parts else 0
        value = _decode_value(parts, 3, datatype)
        if value is not None and datatype in list(DataType):
            found.append(Property(key, DataType(datatype), value))
    return tuple(found)


def _decode_value(found: Mapping[int, Field], first_key: int, datatype: int | None) -> Value | None:
    for key in (first_key, first_key + 1):
        if key in found:
            return _signed(_number(found[key]), datatype)
    if first_key + 2 in found:
        return _real(found[first_key + 2], WireType.FIXED32, "<f")
    if first_key + 3 in found:
        return _real(found[first_key + 3], WireType.FIXED64, "<d")
    if first_key + 4 in found:
        return _number(found[first_key + 4]) != 0
    if first_key + 5 in found:
        return _text(found[first_key + 5])
    return None


def _signed(number: int, datatype: int | None) -> int:
    """Negative numbers travel as their two's complement."""
    if datatype in (DataType.INT32, DataType.INT64):
        bits = _BITS[DataType(datatype)]
        number &= (1 << bits) - 1
        return number - (1 << bits) if number >> (bits - 1) else number
    return number


def _number(field: Field) -> int:
    if field.wire_type is not WireType.VARINT:
        raise PayloadError(f"field {field.key} is no number")
    return field.number


def _optional_number(found: Mapping[int, Field], key: int) -> int | None:
    return _number(found[key]) if key in found else None


def _data(field: Field) -> bytes:
    if field.wire_type is not WireType.LENGTH_DELIMITED:
        raise PayloadError(f"field {field.key} has no length")
    return field.data


def _text(field: Field) -> str:
    try:
        return _data(field).decode()
    except UnicodeDecodeError:
        raise PayloadError(f"field {field.key} is not UTF-8") from None


def _real(field: Field, wire_type: WireType, packing: str) -> float:
    if field.wire_type is not wire_type:
        raise PayloadError(f"field {field.key} is no floating-point number")
    value: float = unpack(packing, field.data)[0]
    return value
