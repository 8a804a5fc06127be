"""Searching a bus for the transmitter: units and registers within bounds, while the collectors on
it go on working, and what is put on record of them."""

from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict
from itertools import product
from typing import Any

from pydantic import ValidationError

from dustcake.commissioning.observation import Observation
from dustcake.commissioning.procedure import ActionResult, failed, noted
from dustcake.core.inputs import FailureKind, ReadFailure, Registers
from dustcake.core.reading import Quality, interpret
from dustcake.core.record import record
from dustcake.core.setpoints import Scale, SignalKind, WordOrder
from dustcake.settings.buses import AnalogInput, WordTable
from dustcake.settings.setpoints import to_scale
from dustcake.units import Pressure, PressureUnit

# --- what the registers may mean: each meaning is put as settings first, so that what is shown is
# what the daemon would read with those lines in the file


NEAR_ZERO = 0.02  # of the span, at rest
MOVED = 0.01  # of the span, when pressure is put on
AGREES = 0.02  # of the span, beside a manometer

_PER_COUNT = (1.0, 0.1, 0.01, 0.001)
_CURRENTS = ((4000, 20000), (400, 2000), (13107, 65535))

Words = tuple[int, ...]
Rows = Mapping[str, Words]
"""Registers in a row, by place: ``unit 1 input 0`` begins at address 0."""


@record
class Candidate:
    """One meaning of one place. ``lines``: the settings that say so; ``pa``: what it reads then,
    ``rest_pa`` before pressure was put on; ``why``: what speaks against it, empty where nothing
    does, and it is plausible."""

    lines: dict[str, Any]
    raw: Words
    pa: float | None
    rest_pa: float | None
    why: str


def place_of(unit: int, table: str, first: int) -> str:
    """Name of a row of registers."""
    return f"unit {unit} {table} {first}"


def candidates(
    bus: str,
    span: tuple[Pressure, Pressure],
    rows: Rows,
    *,
    rest: Rows | None = None,
    reference_pa: float | None = None,
    at_rest: bool = False,
) -> list[Candidate]:
    """Every meaning of every place, the likeliest first. ``rest``: the same places before pressure
    was put on; ``reference_pa``: what a manometer shows now; ``at_rest``: no pressure should be
    there now."""
    encodings, found = _encodings(bus, span), []
    for place, row in rows.items():
        _, unit, table, first = place.split()
        at = {"unit": int(unit), "table": WordTable(table)}
        row_at_rest = (rest or {}).get(place, ())
        for index, encoding in product(range(len(row)), encodings):
            here = slice(index, index + encoding.word_count)
            if here.stop <= len(row):
                meant = encoding.model_copy(update={**at, "register_address": int(first) + index})
                words = row[here], row_at_rest[here]
                found.append(_judged(meant, *words, reference_pa, at_rest=at_rest))
    return sorted(found, key=_likelihood)


def _likelihood(one: Candidate) -> tuple[bool, float]:
    moved_pa = abs(one.pa - one.rest_pa) if one.pa is not None and one.rest_pa is not None else 0.0
    return bool(one.why), -moved_pa


def _encodings(bus: str, span: tuple[Pressure, Pressure]) -> list[AnalogInput]:
    """All that a register may be: its numbers in the unit of the span, or in pascals."""
    in_pa = tuple(Pressure(round(end.pa, 3), PressureUnit.PA) for end in span)
    spans = [span] if span[0].unit is PressureUnit.PA else [span, in_pa]
    written = [fields for ends in spans for fields in _numbers(ends)]
    written += [{"span": span, "kind": "current", "counts": counts} for counts in _CURRENTS]
    meant = []
    for fields in written:
        ends = [str(end) for end in fields["span"]]
        with suppress(ValidationError):  # counts that no register can hold
            meant.append(
                AnalogInput.model_validate({**fields, "bus": bus, "register": 0, "span": ends})
            )
    return meant


def _numbers(span: tuple[Pressure, ...]) -> Iterator[dict[str, Any]]:
    """Settings of a register that holds the pressure in the unit of ``span``, or counts of it."""
    for per_count in _PER_COUNT:
        counts = [round(end.value / per_count) for end in span]
        yield {"span": span, "kind": "scaled_integer", "counts": counts}
    for order in WordOrder:
        yield {"span": span, "kind": "float32", "word_order": order}


def _judged(
    meant: AnalogInput, raw: Words, rest_raw: Words, reference_pa: float | None, *, at_rest: bool
) -> Candidate:
    scale = to_scale(meant)
    pa, why = _reading(scale, raw)
    rest_pa = _reading(scale, rest_raw)[0] if len(rest_raw) == len(raw) else None
    if pa is not None and not why:
        why = _against(pa, rest_pa, reference_pa, scale, at_rest=at_rest)
    return Candidate(lines_of(meant), raw, pa, rest_pa, why)


def _reading(scale: Scale, raw: Words) -> tuple[float | None, str]:
    pa, quality, _ = interpret(Registers(raw), scale, 0.0)
    if quality is Quality.GOOD:
        return pa, ""
    if pa is None:
        return None, "no loop current" if scale.kind is SignalKind.CURRENT else "not a number"
    return pa, "beyond the span"


def _against(
    pa: float, rest_pa: float | None, reference_pa: float | None, scale: Scale, *, at_rest: bool
) -> str:
    span_pa = scale.span_high_pa - scale.span_low_pa
    if at_rest and abs(pa) > NEAR_ZERO * span_pa:
        return "not near zero, with no pressure on it"
    if rest_pa is not None and pa - rest_pa < MOVED * span_pa:
        return "does not rise with the pressure"
    if reference_pa is not None and abs(pa - reference_pa) > AGREES * span_pa:
        return "not what the manometer shows"
    return ""


def lines_of(meant: AnalogInput) -> dict[str, Any]:
    """The table ``[collector.transmitter]`` of the settings that says so."""
    needless = None if meant.kind is SignalKind.FLOAT32 else {"word_order"}
    return meant.model_dump(mode="json", by_alias=True, exclude_none=True, exclude=needless)


# --- going through units and registers

MOST_UNITS, MOST_REGISTERS = 32, 128
"""The most a scan goes through."""
MOST_SHOWN = 40
ROW = 16  # registers read at once; a device that has not all of them is read one by one
AT_REST, APPLIED = "at rest", "with pressure on it"

ReadOnce = Callable[[int, WordTable, int, int], Awaitable[Words | ReadFailure]]
"""Reads unit, table, first register, count in one exchange, in turn with all others on the bus."""


@record
class Bounds:
    """What is gone through."""

    units: range
    tables: tuple[WordTable, ...]
    registers: range


async def scan(
    read: ReadOnce, bus: str, observed: Observation, progress: Callable[[str], None]
) -> ActionResult:
    """Result of going through ``bus`` within the bounds given: what each place may mean."""
    fields, bounds = observed.fields, bounds_of(observed)
    words = await read_all(read, bounds, progress)
    if not words:
        return failed(
            f"nobody answers on bus {bus} at units {bounds.units.start} to "
            f"{bounds.units.stop - 1}: check supply, wiring (exchange A and B), bit rate and "
            "parity",
            candidates=[],
            registers={},
        )
    applied = fields["pressure"] == APPLIED
    rest = last_scan(observed, AT_REST) if applied else {}
    ranked = candidates(
        bus,
        observed.equipment.collector.transmitter.span,
        words,
        rest={place: tuple(row) for place, row in rest.get("registers", {}).items()},
        reference_pa=fields.get("manometer"),
        at_rest=not applied and observed.before.blower.running is not True,
    )
    plausible = sum(not one.why for one in ranked)
    units = sorted({int(place.split()[1]) for place in words})
    return noted(
        f"{plausible} of {len(ranked)} meanings are plausible; units that answer: "
        f"{', '.join(map(str, units))}",
        candidates=[_content(one, observed) for one in ranked[:MOST_SHOWN]],
        registers=words,
    )


def bounds_of(observed: Observation) -> Bounds:
    """What is to be gone through."""
    fields = observed.fields
    tables = tuple(WordTable) if fields["table"] == "both" else (WordTable(fields["table"]),)
    units, registers = (
        range(int(fields[f"first_{what}"]), int(fields[f"last_{what}"]) + 1)
        for what in ("unit", "register")
    )
    return Bounds(units, tables, registers)


def last_scan(observed: Observation, pressure: str) -> dict[str, Any]:
    """Values of the newest scan at this pressure; empty where there is none."""
    scans = reversed(observed.record.of("transmitter", "scan"))
    return next((one.values for one in scans if one.fields["pressure"] == pressure), {})


def _content(one: Candidate, observed: Observation) -> dict[str, Any]:
    shown = None if one.pa is None else observed.equipment.shown(one.pa)
    return {**asdict(one), "shown": shown}


async def read_all(
    read: ReadOnce, bounds: Bounds, progress: Callable[[str], None]
) -> dict[str, Words]:
    """All registers there are, in rows by place. Polls of the bus go on between the
    reads; a unit that does not answer costs its time-out once."""
    words: dict[str, Words] = {}
    registers = bounds.registers
    for unit in bounds.units:
        progress(f"unit {unit}")
        if not await _is_there(read, unit, bounds):
            continue
        for table in bounds.tables:
            for first in registers[::ROW]:
                row = range(first, min(first + ROW, registers.stop))
                words |= await _row(read, unit, table, row)
    return words


async def _is_there(read: ReadOnce, unit: int, bounds: Bounds) -> bool:
    """Whether a unit answers at all; that it has nothing there is an answer."""
    answer = await read(unit, bounds.tables[0], bounds.registers.start, 1)
    if not isinstance(answer, ReadFailure):
        return True
    # A gateway answers for units it cannot reach.
    return answer.kind is FailureKind.EXCEPTION and "gateway" not in answer.detail


async def _row(read: ReadOnce, unit: int, table: WordTable, row: range) -> dict[str, Words]:
    """What can be read of a row; neighbours together, since a number may lie over two of them."""
    answer = await read(unit, table, row.start, len(row))
    if not isinstance(answer, ReadFailure):
        return {place_of(unit, table.value, row.start): answer}
    rows: dict[str, Words] = {}
    place = None
    for address in row if answer.kind is FailureKind.EXCEPTION else ():
        answer = await read(unit, table, address, 1)
        if isinstance(answer, ReadFailure):
            place = None
        else:
            place = place or place_of(unit, table.value, address)
            rows[place] = (*rows.get(place, ()), *answer)
    return rows
