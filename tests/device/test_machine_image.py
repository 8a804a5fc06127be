"""The register map, read and written as a client does."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

import pytest

from dustcake_sim.events import make_event
from dustcake_sim.machine import Machine
from dustcake_sim.machine_image import MachineImage
from dustcake_sim.modbus_pdu import IllegalAddressError, IllegalValueError, Table
from dustcake_sim.register_map import describe
from dustcake_sim.scenario import load_scenario


class Bench:
    """A machine, its image, and a hand on the clock."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.machine = Machine(load_scenario("welding_cell"))
        self.image = MachineImage(self.machine, self._present)

    def _present(self) -> float:
        self.machine.advance_to(self.now_s)
        return self.now_s

    def inputs(self, address: int, count: int = 1) -> Sequence[int]:
        return self.image.read_words(Table.INPUT_REGISTERS, address, count)

    def force(self, kind: str, **fields: object) -> None:
        self.machine.apply(make_event(kind, 0.0, **fields))


@pytest.fixture
def bench() -> Bench:
    bench = Bench()
    bench.now_s = 3.0
    return bench


def signed(word: int) -> int:
    return word - 0x10000 if word >= 0x8000 else word


def test_dp_in_every_form(bench: Bench) -> None:
    words = bench.inputs(0, 10)
    dp_pa = bench.machine.dp.value
    assert 880.0 < dp_pa < 910.0
    assert signed(words[0]) / 10 == pytest.approx(dp_pa, abs=0.06)
    assert words[1] == pytest.approx(4000 + 16_000 * dp_pa / 2500.0, abs=0.6)
    raw = struct.pack(">8H", *words[2:])
    a, b, c, d = (raw[n : n + 4] for n in (0, 4, 8, 12))
    assert struct.unpack(">f", a)[0] == pytest.approx(dp_pa, rel=1e-6)
    assert b == a[2:] + a[:2]
    assert c == bytes([a[1], a[0], a[3], a[2]])
    assert d == a[::-1]


def test_header_and_flow(bench: Bench) -> None:
    header, header_ua, *float_words = bench.inputs(10, 4)
    header_pa = bench.machine.header.value
    assert header == round(header_pa / 100)
    assert header_ua == pytest.approx(4000 + 16_000 * header_pa / 1e6, abs=0.6)
    assert struct.unpack(">f", struct.pack(">2H", *float_words))[0] == pytest.approx(header_pa)
    flow, flow_ua, *float_words = bench.inputs(14, 4)
    assert flow == round(bench.machine.flow.value * 1000)
    assert flow_ua == pytest.approx(4000 + 16_000 * bench.machine.flow.value / 2.5, abs=0.6)
    assert struct.unpack(">f", struct.pack(">2H", *float_words))[0] == pytest.approx(flow / 1000)
    assert bench.inputs(18) == [1000]


def test_a_float_read_by_halves_and_a_gap(bench: Bench) -> None:
    whole = bench.inputs(2, 2)
    assert [*bench.inputs(2), *bench.inputs(3)] == list(whole)
    assert bench.inputs(22, 10) == [0] * 10


def test_holding_registers_mirror_the_input_registers(bench: Bench) -> None:
    assert list(bench.image.read_words(Table.HOLDING_REGISTERS, 0, 64)) == list(bench.inputs(0, 64))


def test_faults_show_as_a_device_shows_them(bench: Bench) -> None:
    bench.force("transmitter", fault="nan")
    words = bench.inputs(0, 10)
    assert (words[0], words[1]) == (0x8000, 21_600)
    assert math.isnan(struct.unpack(">f", struct.pack(">2H", *words[2:4]))[0])
    bench.force("transmitter", fault="current", current_ma=3.5)
    words = bench.inputs(0, 2)
    assert words[1] == 3500
    assert 8000 < words[0] < 10_000


def test_scenario_time_in_two_registers(bench: Bench) -> None:
    bench.machine.speed = 50_000.0
    high, low = bench.inputs(20, 2)
    assert high * 0x10000 + low == 150_000


def test_discrete_inputs(bench: Bench) -> None:
    assert bench.image.read_bits(Table.DISCRETE_INPUTS, 0, 4) == [True, False, False, True]
    bench.force("contact", contact="smoke", closed=True)
    bench.force("contact", contact="door_open", closed=True)
    bench.force("contact", contact="process_equipment", closed=False)
    bench.force("blower", running=False)
    assert bench.image.read_bits(Table.DISCRETE_INPUTS, 0, 4) == [False, True, True, False]


def test_a_pulse_by_one_shot_is_counted_and_ends(bench: Bench) -> None:
    bench.image.write_words(100, [150])
    bench.image.write_bits(18, [True])
    assert bench.image.read_bits(Table.COILS, 16, 4) == [False, False, True, False]
    bench.now_s = 3.2
    assert bench.image.read_bits(Table.COILS, 16, 4) == [False] * 4
    assert bench.inputs(40, 4) == [0, 0, 1, 0]
    assert bench.inputs(32, 2) == [0, 150]


def test_a_plain_coil_held_and_a_second_one(bench: Bench) -> None:
    bench.image.write_bits(0, [True])
    bench.now_s = 4.0
    bench.image.write_bits(1, [True])
    assert bench.inputs(32, 2) == [1, 1000]
    bench.image.write_bits(0, [False, False])
    bench.now_s = 9.0
    assert bench.inputs(32, 2) == [1, 1000]
    assert bench.image.read_bits(Table.COILS, 0, 4) == [False] * 4


def test_demand_and_blower_coils(bench: Bench) -> None:
    bench.image.write_words(102, [20, 50])
    assert bench.image.read_words(Table.HOLDING_REGISTERS, 100, 4) == [100, 0, 20, 50]
    bench.image.write_bits(32, [True, True])
    assert bench.image.read_bits(Table.COILS, 32, 2) == [True, True]
    bench.now_s = 9.0
    assert sum(bench.inputs(40, 4)) == 4
    assert bench.inputs(33) == [50]


def test_the_watchdog_counts_any_request_as_life(bench: Bench) -> None:
    bench.image.write_words(101, [2])
    bench.image.write_bits(0, [True])
    for _ in range(5):
        bench.now_s += 1.9
        assert bench.image.read_bits(Table.COILS, 0, 1) == [True]
    bench.now_s += 2.1
    assert bench.image.read_bits(Table.COILS, 0, 1) == [False]
    assert bench.inputs(34) == [1]


@pytest.mark.parametrize(
    ("table", "address", "count"),
    [
        (Table.COILS, 4, 1),
        (Table.COILS, 0, 5),
        (Table.COILS, 34, 1),
        (Table.DISCRETE_INPUTS, 4, 2),
        (Table.INPUT_REGISTERS, 64, 1),
        (Table.INPUT_REGISTERS, 63, 2),
        (Table.INPUT_REGISTERS, 100, 1),
        (Table.HOLDING_REGISTERS, 103, 2),
        (Table.HOLDING_REGISTERS, 99, 1),
    ],
)
def test_addresses_that_are_not_there(bench: Bench, table: Table, address: int, count: int) -> None:
    bits = table in (Table.COILS, Table.DISCRETE_INPUTS)
    read = bench.image.read_bits if bits else bench.image.read_words
    with pytest.raises(IllegalAddressError):
        read(table, address, count)


def test_writes_that_are_refused_change_nothing(bench: Bench) -> None:
    with pytest.raises(IllegalAddressError):
        bench.image.write_bits(3, [True, True])
    with pytest.raises(IllegalAddressError):
        bench.image.write_words(0, [1])
    with pytest.raises(IllegalValueError):
        bench.image.write_words(100, [200, 5, 0])
    with pytest.raises(IllegalValueError):
        bench.image.write_words(103, [1001])
    assert bench.image.read_words(Table.HOLDING_REGISTERS, 100, 4) == [100, 0, 100, 100]
    assert bench.image.read_bits(Table.COILS, 0, 4) == [False] * 4


def test_the_described_map_is_what_the_image_has(bench: Bench) -> None:
    tables = {
        "coils": Table.COILS,
        "discrete inputs": Table.DISCRETE_INPUTS,
        "holding registers": Table.HOLDING_REGISTERS,
        "input registers": Table.INPUT_REGISTERS,
    }
    for row in describe(4):
        table = tables[str(row["table"])]
        first, last = int(str(row["first"])), int(str(row["last"]))
        bits = table in (Table.COILS, Table.DISCRETE_INPUTS)
        read = bench.image.read_bits if bits else bench.image.read_words
        assert len(read(table, first, last - first + 1)) == last - first + 1
        if not row["writable"] and table is Table.HOLDING_REGISTERS:
            with pytest.raises(IllegalAddressError):
                bench.image.write_words(first, [1])
