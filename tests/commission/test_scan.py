"""Going through units and registers: within bounds, once each, whatever a device lets be read."""

from typing import cast

import pytest

from dustcake.adapters.modbus import Read
from dustcake.commissioning.scan import Bounds, Words, read_all
from dustcake.core.inputs import FailureKind, ReadFailure
from dustcake.settings.buses import WordTable

SILENT = ReadFailure(FailureKind.TIMEOUT, "no reply")
REFUSED = ReadFailure(FailureKind.EXCEPTION, "it has nothing at this address")
NO_PATH = ReadFailure(FailureKind.EXCEPTION, "it did not answer the gateway")


class Line:
    """Units with some registers each. A unit of ``None`` is one the gateway does not reach."""

    def __init__(self, units: dict[int, dict[tuple[WordTable, int], int] | None]) -> None:
        self.units = units
        self.asked: list[Read] = []

    async def read(
        self, unit: int, table: WordTable, first: int, count: int
    ) -> Words | ReadFailure:
        request = Read(unit, table, first, count)
        self.asked.append(request)
        if unit not in self.units:
            return SILENT
        registers = self.units[unit]
        if registers is None:
            return NO_PATH
        words = [registers.get((table, address)) for address in range(first, first + count)]
        return REFUSED if None in words else tuple(cast(list[int], words))


async def scanned(
    line: Line, units: range, registers: range, *tables: WordTable
) -> dict[str, Words]:
    told: list[str] = []
    bounds = Bounds(units, tables or (WordTable.INPUT,), registers)
    found = await read_all(line.read, bounds, told.append)
    assert told == [f"unit {unit}" for unit in units]
    assert all(request.unit in units for request in line.asked)
    assert all(
        request.address in registers and request.address + request.count - 1 in registers
        for request in line.asked
    )
    return found


async def test_whoever_is_silent_or_out_of_reach_costs_one_try() -> None:
    line = Line({2: {(WordTable.INPUT, n): n for n in range(40)}, 3: None})
    found = await scanned(line, range(1, 5), range(40))
    assert [r.unit for r in line.asked if r.unit != 2] == [1, 3, 4]
    assert found == {
        "unit 2 input 0": tuple(range(16)),
        "unit 2 input 16": tuple(range(16, 32)),
        "unit 2 input 32": tuple(range(32, 40)),
    }


async def test_a_device_with_gaps_is_asked_one_by_one_and_neighbours_stay_together() -> None:
    words = {(WordTable.HOLDING, n): 100 + n for n in (3, 4, 5, 9)}
    found = await scanned(
        Line({1: {**words}}), range(1, 2), range(16), WordTable.INPUT, WordTable.HOLDING
    )
    assert found == {"unit 1 holding 3": (103, 104, 105), "unit 1 holding 9": (109,)}


@pytest.mark.parametrize("registers", [range(7, 8), range(60, 79)])
async def test_bounds_need_not_be_whole_rows(registers: range) -> None:
    line = Line({1: {(WordTable.INPUT, n): n for n in registers}})
    found = await scanned(line, range(1, 2), registers)
    assert [word for row in found.values() for word in row] == list(registers)
