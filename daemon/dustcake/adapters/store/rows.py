"""Rows of the journal: values are checked as they are read, and inputs packed many to a row and
compressed, to spare the memory card. And the rows of minutes, folded from those of inputs."""

import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import astuple
from itertools import groupby, pairwise
from typing import Annotated, Any, TypeVar

import structlog
from pydantic import ConfigDict, Field, Json, TypeAdapter, ValidationError
from pydantic_core import to_json

from dustcake.codec import FormatError, decode_body, decode_input, encode_input
from dustcake.core.events import Event
from dustcake.core.inputs import Input, Stamp
from dustcake.core.minutes import Minute, Spread, minute_of, summarised
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.publish.event_sentences import Display, event_sentence, unknown_event_sentence

T = TypeVar("T")

_log = structlog.get_logger(__name__)

LARGEST = 2**53
"""No number of a row comes near it; far above it, the next number could not be stored."""

Whole = Annotated[int, Field(ge=0, lt=LARGEST)]
"""A count, or the number of something."""

Number = Annotated[float, Field(gt=-LARGEST, lt=LARGEST, allow_inf_nan=False)]
"""A measured value or a monotonic time."""

LAST_UTC_S = 253_402_300_799
"""The end of the year 9999: no date can be given beyond."""

Utc = Annotated[float, Field(ge=0, le=LAST_UTC_S)] | None
"""Seconds of UTC, or none."""

Fields = Json[dict[str, Any]]
"""The fields of a stored event, whatever version wrote it."""

AS_STORED = ConfigDict(strict=True, defer_build=True)
"""SQLite hands out each value with the type it has."""


def checked(table: str, kinds: TypeAdapter[T], row: tuple[Any, ...]) -> T:
    """``row`` of ``table``, if each value is of its kind. Raises ``FormatError``."""
    try:
        return kinds.validate_python(row)
    except ValidationError as error:
        column = error.errors(include_url=False, include_input=False)[0]["loc"][0]
        raise FormatError(f"{table}: column {int(column) + 1} holds what it cannot hold") from None


def sane(column: str) -> str:
    """The SQL condition that ``column`` holds a count."""
    return f"typeof({column}) = 'integer' AND {column} BETWEEN 0 AND {LARGEST - 1}"


def insert(
    connection: sqlite3.Connection, table: str, how: str = "INSERT", /, **values: object
) -> int:
    """Add a row; its number, where the table numbers its rows."""
    columns, places = ", ".join(values), ", ".join("?" * len(values))
    added = connection.execute(
        f"{how} INTO {table} ({columns}) VALUES ({places})", tuple(values.values())
    )
    return added.lastrowid or 0


PACKED = "packed"
"""The kind of a row that holds several inputs. Files of version 1 hold one to a row."""


def pack(inputs: Iterable[Input]) -> bytes:
    """One line for each input, its kind and its fields as JSON, compressed together."""
    lines = (kind.encode() + b" " + body for kind, body in map(encode_input, inputs))
    return zlib.compress(b"\n".join(lines))


def unpack(kind: str, body: bytes | str) -> Iterator[Input]:
    """The inputs of one row, in order. Raises ``FormatError``."""
    if kind != PACKED:
        yield decode_input(kind, body.encode() if isinstance(body, str) else body)
        return
    for line in inflated("packed inputs", body).split(b"\n"):
        name, _, fields = line.partition(b" ")
        yield decode_input(name.decode(errors="replace"), fields)


def inflated(what: str, body: bytes | str) -> bytes:
    """``body`` as it was before it was compressed. Raises ``FormatError``."""
    try:
        return zlib.decompress(body if isinstance(body, bytes) else body.encode())
    except zlib.error as error:
        raise FormatError(f"{what}: {error}") from None


_INPUTS = TypeAdapter(tuple[Whole, Number, str, bytes], config=AS_STORED)


def close_minutes(
    connection: sqlite3.Connection, collector: str, setpoints: Setpoints, state: State
) -> list[int]:
    """Add a row for each minute that has ended, and where it is ``stopping`` for the last one too;
    the numbers (``n``) of these rows.

    Nothing is counted in memory, so nothing is lost by a crash: whatever inputs no minute accounts
    for yet are folded. Within the caller's transaction; ``state`` is that after its inputs.
    """
    number, *after = connection.execute(
        "SELECT number, start, mono_s FROM minutes WHERE collector = ? "
        f"AND {sane('number')} AND {sane('start')} AND typeof(mono_s) = 'real' "
        "ORDER BY n DESC LIMIT 1",
        (collector,),
    ).fetchone() or (0, 0, float("-inf"))
    inputs = _inputs_after(connection, collector, after)
    added: list[int] = []
    for (start, minute), (next_start, following) in pairwise([*_by_minute(inputs), (0, [])]):
        if not following and not state.stopping:
            break
        next_mono_s = following[0].at.mono_s if next_start == start else None
        folded = summarised(minute, next_mono_s, setpoints, state.zero.offset_pa)
        if folded is not None:
            number += 1
            values = (number, state.next_seq - 1, *_values(folded))
            columns = dict(zip(_MINUTE_COLUMNS, values, strict=True))
            added.append(insert(connection, "minutes", collector=collector, start=start, **columns))
    return added


def _by_minute(inputs: list[tuple[int, Input]]) -> Iterator[tuple[int, list[Input]]]:
    for (start, _), of in groupby(inputs, lambda one: (one[0], minute_of(one[1].at))):
        yield start, [happened for _, happened in of]


def _inputs_after(
    connection: sqlite3.Connection, collector: str, after: list[float]
) -> list[tuple[int, Input]]:
    """The inputs of packed rows later than ``after`` (start and monotonic time), oldest first, each
    with the start of the daemon it belongs to."""
    found: list[list[tuple[int, Input]]] = []
    rows = connection.execute(
        "SELECT start, mono_s, kind, body FROM inputs "
        "WHERE collector = ? AND kind = ? ORDER BY n DESC",
        (collector, PACKED),
    )
    for row in rows:
        try:
            start, mono_s, kind, body = checked("inputs", _INPUTS, row)
            if [start, mono_s] <= after:
                break
            found.append([(start, happened) for happened in unpack(kind, body)])
        except FormatError as error:
            _log.error("stored readings not readable", cause=str(error), consequence="not counted")
    return [one for row in reversed(found) for one in row]


_MINUTE_COLUMNS = (
    *("number", "seq", "utc_s", "mono_s", "covered_s", "polls", "good", "blower_s"),
    *("dp_min_pa", "dp_mean_pa", "dp_max_pa", "header_min_pa", "header_mean_pa", "header_max_pa"),
)


def _values(one: Minute) -> tuple[float | None, ...]:
    dp, header = (
        (None, None, None) if spread is None else astuple(spread) for spread in (one.dp, one.header)
    )
    read = (one.covered_s, one.polls, one.good, one.blower_s)
    return (one.began_utc_s, one.at.mono_s, *read, *dp, *header)


_Pa = Number | None
_MINUTE = TypeAdapter(
    tuple[Whole, Whole, Utc, Number, Number, Whole, Whole, Number, _Pa, _Pa, _Pa, _Pa, _Pa, _Pa],
    config=AS_STORED,
)


def minute_in(connection: sqlite3.Connection, n: int) -> tuple[int, int, Minute] | None:
    """The minute in row ``n`` with its number, which counts those of a collector from 1 without a
    gap through every restart, and the ``seq`` of the last event before it was closed. None where it
    has been deleted. Raises ``FormatError``."""
    columns = ", ".join(_MINUTE_COLUMNS)
    row = connection.execute(f"SELECT {columns} FROM minutes WHERE n = ?", (n,)).fetchone()
    if row is None:
        return None
    number, seq, utc_s, mono_s, covered_s, polls, good, blower_s, *_ = checked(
        "minutes", _MINUTE, row
    )
    dp, header = (None if None in of else Spread(*of) for of in (row[8:11], row[11:]))
    at = Stamp(mono_s, utc_s)
    return number, seq, Minute(utc_s, at, covered_s, polls, good, dp, header, blower_s)


_EVENT = TypeAdapter(tuple[str, Whole, Whole, Utc, Number, str, Fields, Utc], config=AS_STORED)
EVENT = f"""
    collector, seq, start, utc_s, mono_s, name, body,
    CASE WHEN utc_s IS NULL THEN mono_s + (
        SELECT utc_offset_s FROM clock
        WHERE clock.start = e.start AND utc_offset_s BETWEEN 0 AND {LAST_UTC_S}
        ORDER BY clock.n LIMIT 1
    ) END AS found_utc_s
"""
"""What is read of a row of the events ``e``: one without a time of day gets it from the first entry
of its start that knows one."""


@record
class RecordedEvent:
    """An event as it was recorded, by whatever version.

    ``fields``: those of its body. ``utc_s`` is None where the clock was not set then;
    ``found_utc_s`` is what it must have been, where it was set later in the same ``start``.
    """

    collector: str
    seq: int
    start: int
    utc_s: float | None
    mono_s: float
    name: str
    fields: dict[str, Any]
    found_utc_s: float | None = None

    @property
    def at_utc_s(self) -> float | None:
        """When it happened, or when that was found out to have been."""
        return self.found_utc_s if self.utc_s is None else self.utc_s

    def event(self) -> Event | None:
        """The event itself; None where another version wrote it and this one cannot read it."""
        try:
            body = decode_body(self.name, to_json(self.fields))
        except FormatError:
            return None
        return Event(self.seq, Stamp(self.mono_s, self.utc_s), body)

    def sentence(self, display: Display) -> str:
        """What happened, in one line for people; where it cannot be read, what there is of it."""
        event = self.event()
        if event is None:
            return unknown_event_sentence(self.name, self.fields, display)
        return event_sentence(event.body, display)


def recorded_event(row: tuple[Any, ...]) -> RecordedEvent:
    """The event in ``row``, which ``EVENT`` has read. Raises ``FormatError``."""
    return RecordedEvent(*checked("events", _EVENT, row))
