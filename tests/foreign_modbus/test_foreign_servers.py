"""Our client against foreign servers: one made of a C library (libmodbus), over TCP and over a
serial line, and one of another Python library (uModbus). All three serve the same tables.

Values: samples of the application protocol V1.1b3 (secondary source), and of a float computed
with Python 3.11 (struct).
"""

import pytest

from dustcake.adapters.modbus import Bus, CoilOutputs, FieldInputs
from dustcake.adapters.modbus.messages import Read, Values, WriteCoils, WriteRegister
from dustcake.core.commands import AllValvesOff, FireValve
from dustcake.core.inputs import Contacts as CoreContacts
from dustcake.core.inputs import FailureKind, Outcome, ReadFailure, Registers
from dustcake.settings.buses import (
    AnalogInput,
    BitTable,
    ContactInput,
    Contacts,
    Outputs,
    WordTable,
)


def bits(data: bytes, count: int) -> Values:
    return tuple(data[n // 8] >> n % 8 & 1 for n in range(count))


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        (Read(1, BitTable.COIL, 0x13, 19), bits(bytes.fromhex("CD6B05"), 19)),
        (Read(1, BitTable.DISCRETE, 0xC4, 22), bits(bytes.fromhex("ACDB35"), 22)),
        (Read(1, WordTable.HOLDING, 0x6B, 3), (555, 0, 100)),
        (Read(1, WordTable.INPUT, 8, 1), (10,)),
        (Read(1, WordTable.INPUT, 0, 125), (0,) * 8 + (10,) + (0,) * 7 + (0x42F6, 0xE979)),
    ],
)
async def test_reads(foreign_bus: Bus, request_: Read, answer: Values) -> None:
    read = await foreign_bus.read(request_)
    assert not isinstance(read, ReadFailure), read
    assert read[: len(answer)] == answer
    assert len(read) == request_.count


async def test_writes_are_read_back(foreign_bus: Bus) -> None:
    pattern = (True, False, True, True, False, False, True, True, True, False)
    async with foreign_bus.reserved() as channel:
        assert await channel.exchange(WriteCoils(1, 100, pattern)) == ()
        assert await channel.exchange(WriteCoils(1, 120, (True,))) == ()
        assert await channel.exchange(WriteRegister(1, 7, 0xABCD)) == ()
        assert await channel.exchange(Read(1, BitTable.COIL, 100, 10)) == pattern
        assert await channel.exchange(Read(1, BitTable.COIL, 119, 3)) == (0, 1, 0)
        assert await channel.exchange(Read(1, WordTable.HOLDING, 7, 1)) == (0xABCD,)


async def test_an_address_that_is_not_there(foreign_bus: Bus) -> None:
    answer = await foreign_bus.read(Read(1, WordTable.INPUT, 5000, 1))
    assert isinstance(answer, ReadFailure)
    assert answer.kind is FailureKind.EXCEPTION
    assert "exception 2" in answer.detail
    assert await foreign_bus.read(Read(1, WordTable.INPUT, 8, 1)) == (10,)


async def test_a_round_of_inputs(foreign_bus: Bus) -> None:
    dp = AnalogInput.model_validate(
        {"bus": "hall", "register": 16, "kind": "float32", "span": ["0 Pa", "2500 Pa"]}
    )
    contacts = Contacts(
        blower_running=ContactInput(bus="hall", address=0xC4 + 2),
        smoke=ContactInput(bus="hall", address=0xC4 + 3, invert=True),
    )
    reading = await FieldInputs({"hall": foreign_bus}, dp, None, contacts).read()
    assert reading.dp == Registers((0x42F6, 0xE979))
    assert reading.contacts == CoreContacts(blower_running=True, smoke=False)


async def test_pulses(foreign_bus: Bus) -> None:
    settings = Outputs.model_validate(
        {"kind": "valves_on_off", "bus": "hall", "coils": [60, 61, 62, 240]}
    )
    outputs = CoilOutputs({"hall": foreign_bus}, settings, None)
    for valve in (1, 3, 2):
        report = await outputs.execute(FireValve(valve, valve, 0.05))
        assert report.outcome is Outcome.DONE, report
    assert (await outputs.execute(AllValvesOff(4))).outcome is Outcome.DONE
    stuck = await outputs.execute(FireValve(5, 4, 0.05))
    assert stuck.outcome is Outcome.STUCK_ON
    assert "valve 4" in stuck.detail
