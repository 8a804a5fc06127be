"""Inputs as they are kept: many to a row, compressed, for a memory card's sake."""

import zlib
from collections.abc import Iterable, Iterator
from functools import cache

from pydantic import TypeAdapter, ValidationError

from dustcake.codec import FormatError, decode_input, encode_input
from dustcake.core.inputs import Input
from dustcake.core.reading import Sample
from dustcake.core.record import replace
from dustcake.core.state import State

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
