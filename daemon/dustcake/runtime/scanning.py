"""Going through units and registers of a bus, within bounds, while its collectors go on working."""

from collections.abc import Callable, Iterator

from dustcake.adapters.modbus import BusLine, Read
from dustcake.commissioning.scan import place_of
from dustcake.core.record import record
from dustcake.core.signals import FailureKind, ReadFailure
from dustcake.settings.buses import WordTable

ROW = 16  # registers asked for at once; a device that has not all of them is asked one by one


@record
class Bounds:
    """What is gone through."""

    units: range
    tables: tuple[WordTable, ...]
    registers: range


@record
class Found:
    """What answered. ``words``: registers in a row, by place."""

    words: dict[str, tuple[int, ...]]
    silent: tuple[int, ...]


async def scan(bus: BusLine, bounds: Bounds, told: Callable[[str], None]) -> Found:
    """Read everything there is. Each try is one exchange, in turn with all others on the bus, so
    that polls go on; a unit that does not answer costs its time-out once. ``told`` hears how far it
    is."""
    words: dict[str, tuple[int, ...]] = {}
    silent: list[int] = []
    for unit in bounds.units:
        told(f"unit {unit}")
        if not await _is_there(bus, unit, bounds):
            silent.append(unit)
            continue
        for table in bounds.tables:
            for row in _rows(bounds.registers):
                words |= await _row(bus, unit, table, row)
    return Found(words, tuple(silent))


def _rows(registers: range) -> Iterator[range]:
    for first in range(registers.start, registers.stop, ROW):
        yield range(first, min(first + ROW, registers.stop))


async def _is_there(bus: BusLine, unit: int, bounds: Bounds) -> bool:
    """Whether it answers at all; that it has nothing there is an answer."""
    answer = await bus.probe(Read(unit, bounds.tables[0], bounds.registers.start, 1))
    if not isinstance(answer, ReadFailure):
        return True
    if answer.kind is not FailureKind.EXCEPTION:
        return False
    # A gateway answers for units it cannot reach.
    return "gateway" not in answer.detail


async def _row(bus: BusLine, unit: int, table: WordTable, row: range) -> dict[str, tuple[int, ...]]:
    answer = await bus.probe(Read(unit, table, row.start, len(row)))
    if not isinstance(answer, ReadFailure):
        return {place_of(unit, table.value, row.start): answer}
    if len(row) == 1 or answer.kind is not FailureKind.EXCEPTION:
        return {}
    found: dict[str, tuple[int, ...]] = {}
    for address in row:
        found |= await _row(bus, unit, table, range(address, address + 1))
    return _joined(found, unit, table)


def _joined(
    found: dict[str, tuple[int, ...]], unit: int, table: WordTable
) -> dict[str, tuple[int, ...]]:
    """Neighbours as one row, since a number may lie over two of them."""
    rows: dict[str, tuple[int, ...]] = {}
    begin: int | None = None
    words: tuple[int, ...] = ()
    for place, one in found.items():
        address = int(place.split()[-1])
        if begin is not None and address == begin + len(words):
            words = (*words, *one)
        else:
            begin, words = address, one
        rows[place_of(unit, table.value, begin)] = words
    return rows
