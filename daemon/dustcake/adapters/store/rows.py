"""Rows of the journal: values are checked as they are read, and inputs packed many to a row and
compressed, to spare the memory card."""

import json
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache
from math import isfinite
from typing import Any

from pydantic import TypeAdapter, ValidationError

from dustcake.codec import FormatError, decode_input, encode_input
from dustcake.core.inputs import Input
from dustcake.core.reading import Sample
from dustcake.core.record import replace
from dustcake.core.state import State

Kind = Callable[[object], bool]

LARGEST = 2**53
"""No number of a row comes near it; far above it, the next number could not be stored."""

_LAST_UTC_S = 253_402_300_799.0  # the end of the year 9999: no date can be given beyond


def whole(value: object) -> bool:
    """A count, or the number of something."""
    return isinstance(value, int) and 0 <= value < LARGEST


def number(value: object) -> bool:
    """A measured value or a monotonic time."""
    return isinstance(value, float) and isfinite(value) and abs(value) < LARGEST


def utc(value: object) -> bool:
    """Seconds of UTC, or none."""
    return value is None or (isinstance(value, float) and 0 <= value <= _LAST_UTC_S)


def text(value: object) -> bool:
    """A text."""
    return isinstance(value, str)


def blob(value: object) -> bool:
    """Bytes."""
    return isinstance(value, bytes)


def packed(value: object) -> bool:
    """Bytes, or the text that version 1 wrote."""
    return isinstance(value, bytes | str)


def optional(kind: Kind) -> Kind:
    """``kind`` or nothing."""
    return lambda value: value is None or kind(value)


def checked(table: str, row: Sequence[Any], kinds: Sequence[Kind]) -> Sequence[Any]:
    """``row`` of ``table``, if each value is of its kind. Raises ``FormatError``."""
    for at, (value, kind) in enumerate(zip(row, kinds, strict=True)):
        if not kind(value):
            raise FormatError(f"{table}: column {at + 1} holds what it cannot hold")
    return row


def fields_of(body: str) -> dict[str, Any]:
    """The fields of a stored event, whatever version wrote it. Raises ``FormatError``."""
    try:
        fields = json.loads(body)
    except (ValueError, RecursionError):
        fields = None
    if not isinstance(fields, dict):
        raise FormatError("events: the body is not a JSON object")
    return fields


def sane(column: str) -> str:
    """The SQL condition that ``column`` holds a count."""
    return f"typeof({column}) = 'integer' AND {column} BETWEEN 0 AND {LARGEST - 1}"


PACKED = "packed"
"""The kind of a row that holds several inputs. Files of version 1 hold one to a row."""

_Readings = tuple[Sample, Sample | None]


def pack(inputs: Iterable[Input]) -> bytes:
    """One line for each input, its kind and its fields as JSON, compressed together."""
    lines = (kind.encode() + b" " + body for kind, body in map(encode_input, inputs))
    return zlib.compress(b"\n".join(lines))


def unpack(kind: str, body: bytes | str) -> Iterator[Input]:
    """The inputs of one row, in order. Raises ``FormatError``."""
    if kind != PACKED:
        yield decode_input(kind, body.encode() if isinstance(body, str) else body)
        return
    try:
        lines = zlib.decompress(body if isinstance(body, bytes) else body.encode())
    except zlib.error as error:
        raise FormatError(f"packed inputs: {error}") from None
    for line in lines.split(b"\n"):
        name, _, fields = line.partition(b" ")
        yield decode_input(name.decode(errors="replace"), fields)


def encode_readings(state: State) -> str:
    """What a quiet step changes of a state, as JSON."""
    return _readings().dump_json((state.sample, state.header)).decode()


def with_readings(state: State, stored: str) -> State:
    """``state`` with the later readings. Raises ``FormatError``."""
    try:
        sample, header = _readings().validate_json(stored)
        return replace(state, sample=sample, header=header)
    except ValidationError as error:
        raise FormatError(f"stored readings: {error.error_count()} errors") from None


@cache
def _readings() -> TypeAdapter[_Readings]:
    return TypeAdapter(_Readings)
