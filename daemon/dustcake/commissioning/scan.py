"""Searching a bus for the transmitter: units and registers within bounds, while the collectors on
it go on working, and what is put on record of them."""

from collections.abc import Awaitable, Callable, Iterator
from dataclasses import asdict
from typing import Any

from dustcake.commissioning.observation import Observation
from dustcake.commissioning.procedure import ActionResult, failed, noted
from dustcake.commissioning.registers import Candidate, candidates, place_of
from dustcake.core.record import record
from dustcake.core.signals import FailureKind, ReadFailure
from dustcake.settings.buses import WordTable

MOST_UNITS, MOST_REGISTERS = 32, 128
"""The most a scan goes through."""
MOST_SHOWN = 40
ROW = 16  # registers read at once; a device that has not all of them is read one by one
AT_REST, APPLIED = "at rest", "with pressure on it"

Words = tuple[int, ...]
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
    """Go through ``bus`` as the person has asked, and judge what each place may mean."""
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
    rest = last_scan(observed, AT_REST) if applied else None
    manometer = fields.get("manometer")
    ranked = candidates(
        bus,
        observed.equipment.collector.transmitter.span,
        words,
        rest=None if rest is None else {k: tuple(v) for k, v in rest["registers"].items()},
        reference_pa=None if manometer is None else float(manometer),
        at_rest=not applied and observed.before.blower_running is not True,
    )
    plausible = sum(one.is_plausible for one in ranked)
    units = sorted({int(place.split()[1]) for place in words})
    return noted(
        f"{plausible} of {len(ranked)} meanings are plausible; units that answer: "
        f"{', '.join(map(str, units))}",
        candidates=[_content(one, observed) for one in ranked[:MOST_SHOWN]],
        registers={place: list(row) for place, row in words.items()},
    )


def bounds_of(observed: Observation) -> Bounds:
    """What the person has asked to be gone through."""
    fields = observed.fields
    tables = tuple(WordTable) if fields["table"] == "both" else (WordTable(str(fields["table"])),)
    return Bounds(_range(observed, "unit"), tables, _range(observed, "register"))


def _range(observed: Observation, what: str) -> range:
    first, last = (int(float(observed.fields[f"{end}_{what}"])) for end in ("first", "last"))
    return range(first, last + 1)


def last_scan(observed: Observation, pressure: str) -> dict[str, Any] | None:
    """What the newest scan at this pressure found."""
    for entry in reversed(observed.record.of("transmitter", "scan")):
        if entry.fields["pressure"] == pressure:
            return entry.values
    return None


def _content(one: Candidate, observed: Observation) -> dict[str, Any]:
    shown = None if one.pa is None else observed.equipment.shown(one.pa)
    return {**asdict(one), "raw": list(one.raw), "shown": shown}


async def read_all(
    read: ReadOnce, bounds: Bounds, progress: Callable[[str], None]
) -> dict[str, Words]:
    """Read everything there is: registers in a row, by place. Polls of the bus go on between the
    reads; a unit that does not answer costs its time-out once."""
    words: dict[str, Words] = {}
    for unit in bounds.units:
        progress(f"unit {unit}")
        if not await _is_there(read, unit, bounds):
            continue
        for table in bounds.tables:
            for row in _rows(bounds.registers):
                words |= await _row(read, unit, table, row)
    return words


def _rows(registers: range) -> Iterator[range]:
    for first in range(registers.start, registers.stop, ROW):
        yield range(first, min(first + ROW, registers.stop))


async def _is_there(read: ReadOnce, unit: int, bounds: Bounds) -> bool:
    """Whether it answers at all; that it has nothing there is an answer."""
    answer = await read(unit, bounds.tables[0], bounds.registers.start, 1)
    if not isinstance(answer, ReadFailure):
        return True
    # A gateway answers for units it cannot reach.
    return answer.kind is FailureKind.EXCEPTION and "gateway" not in answer.detail


async def _row(read: ReadOnce, unit: int, table: WordTable, row: range) -> dict[str, Words]:
    answer = await read(unit, table, row.start, len(row))
    if not isinstance(answer, ReadFailure):
        return {place_of(unit, table.value, row.start): answer}
    if len(row) == 1 or answer.kind is not FailureKind.EXCEPTION:
        return {}
    found: dict[int, int] = {}
    for address in row:
        for (word,) in (await _row(read, unit, table, range(address, address + 1))).values():
            found[address] = word
    return _joined(found, unit, table)


def _joined(found: dict[int, int], unit: int, table: WordTable) -> dict[str, Words]:
    """Neighbours as one row, since a number may lie over two of them."""
    rows: dict[str, Words] = {}
    first = None
    for address, word in found.items():
        if first is None or address - 1 not in found:
            first = address
        place = place_of(unit, table.value, first)
        rows[place] = (*rows.get(place, ()), word)
    return rows
