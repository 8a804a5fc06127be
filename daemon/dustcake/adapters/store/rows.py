"""What the columns of a row may hold.

A worn card can change any byte of the file, and SQLite, which keeps no checksums and lets any
column hold any type, does not notice. So rows that are read are looked at before they are used.
"""

import json
from collections.abc import Callable, Sequence
from math import isfinite
from typing import Any

from dustcake.codec import FormatError

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
