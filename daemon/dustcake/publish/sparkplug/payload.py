"""Sparkplug B payloads: metrics with name or alias, type, value, time and properties.

Field and type numbers are those of the open schema of the Sparkplug B payload (Sparkplug 3.0,
chapter 6). What is read is what a command can say: its time, and metrics with a text or a flag.

Protocol Buffers are written by hand: three message types need little, and the protobuf library
takes 7 MiB of memory. A field is a varint key (number times eight plus wire type) and a value.
"""

from collections.abc import Iterable, Iterator
from enum import IntEnum
from struct import pack

from dustcake.core.record import record, replace

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


def payload(utc_s: float | None, metrics: Iterable[bytes], seq: int | None = None) -> bytes:
    """One message. ``seq``: 0 to 255, None in deaths of the node."""
    listed = b"".join(field(2, each) for each in metrics)
    return field(1, _milliseconds(utc_s)) + listed + field(3, seq)


def _milliseconds(utc_s: float | None) -> int | None:
    """Time as Sparkplug has it: milliseconds since 1970-01-01 UTC."""
    return None if utc_s is None else round(utc_s * 1000)


def bare_metric(name: str, datatype: DataType, value: Value) -> bytes:
    """A metric without time and quality."""
    return field(1, name) + field(4, datatype) + _value(10, datatype, value)


@record
class Metric:
    """The value of one metric at ``utc_s``.

    ``value`` None: there is none now. ``deadband``: a number that differs by less is not reported.
    ``change_key``: for a text with numbers in it that change all the time, what must change
    instead.
    """

    name: str
    datatype: DataType
    value: Value | None
    utc_s: float
    quality: QualityCode = QualityCode.GOOD
    unit: str | None = None
    deadband: float = 0.0
    change_key: str | None = None

    def differs(self, last: "Metric") -> bool:
        """Whether it is worth sending after ``last``."""
        if self.quality is not last.quality or self.change_key != last.change_key:
            return True
        if self.change_key is not None or self.value == last.value:
            return False
        if self.value is None or last.value is None or isinstance(self.value, str | bool):
            return True
        return abs(self.value - float(last.value)) >= self.deadband

    def encoded(
        self, alias: int | None, *, in_birth: bool = False, is_historical: bool = False
    ) -> bytes:
        """Its bytes: in a birth with name, type and unit, in data by alias alone."""
        said: list[tuple[str, DataType, Value]] = [("Quality", DataType.INT32, self.quality.value)]
        if in_birth and self.unit is not None:
            said.append(("unit", DataType.STRING, self.unit))
        values = (field(1, kind) + _value(3, kind, value) for _, kind, value in said)
        properties = [field(1, key) for key, *_ in said] + [field(2, value) for value in values]
        parts = [
            field(1, self.name if in_birth else None),
            field(2, alias),
            field(3, _milliseconds(self.utc_s)),
            field(4, self.datatype if in_birth else None),
            field(5, is_historical or None),
            field(7, self.value is None or None),
            field(9, b"".join(properties)),
            _value(10, self.datatype, self.value),
        ]
        return b"".join(parts)


def _value(first_key: int, datatype: DataType, value: Value | None) -> bytes:
    """The field of ``value``: from 10 on in a metric, from 3 on in a property, by its type."""
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
        case _:  # a text
            return field(first_key + 5, str(value))


@record
class Written:
    """What a command writes to the metric of ``name`` or ``alias``. ``value`` None: null, or
    something that is neither a text nor a flag."""

    name: str | None
    alias: int | None
    value: bool | str | None


def decode(data: bytes, most_metrics: int) -> tuple[int | None, list[Written]]:
    """When the command in ``data`` was sent, in ms, and what it writes. Raises ValueError, which
    says what is wrong, also where it has more than ``most_metrics``. A field of another type than
    it should have is passed over, as one that is not known."""
    timestamp_ms: int | None = None
    written: list[Written] = []
    for each in _fields(data):
        match each:
            case (1, int(number)):
                timestamp_ms = number
            case (2, bytes(metric)):
                if len(written) == most_metrics:
                    raise ValueError(f"it has more than {most_metrics} metrics")
                written.append(_decode_metric(metric))
    return timestamp_ms, written


def _decode_metric(data: bytes) -> Written:
    found = Written(None, None, None)
    is_null = False
    for each in _fields(data):
        match each:
            case (1, bytes(name)):
                found = replace(found, name=name.decode())
            case (2, int(alias)):
                found = replace(found, alias=alias)
            case (7, int(flag)):
                is_null = flag != 0
            case (14, int(flag)):
                found = replace(found, value=flag != 0)
            case (15, bytes(text)):
                found = replace(found, value=text.decode())
    return replace(found, value=None) if is_null else found


def _fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Number and value of each field, in order. Raises ValueError where the bytes are none.
    Those of a fixed length are passed over: nothing that is read has one."""
    at = 0
    while at < len(data):
        tag, at = _varint_at(data, at)
        key, wire_type = tag >> 3, tag & 7
        if key == 0:
            raise ValueError("a field has the number 0")
        if wire_type == VARINT:
            number, at = _varint_at(data, at)
            yield key, number
            continue
        if wire_type == LENGTH_DELIMITED:
            length, at = _varint_at(data, at)
        elif wire_type in _FIXED_LENGTHS:
            length = _FIXED_LENGTHS[wire_type]
        else:
            raise ValueError(f"wire type {wire_type} is not used in Sparkplug B")
        end = at + length
        if end > len(data):
            raise ValueError("cut off in the middle of a field")
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
                raise ValueError("a number has more than 64 bits")
            return number, at + place + 1
    if at + LONGEST_VARINT > len(data):
        raise ValueError("cut off in the middle of a number")
    raise ValueError(f"a number has more than {LONGEST_VARINT} bytes")
