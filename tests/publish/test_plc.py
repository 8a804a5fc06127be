"""Registers for a PLC, read back by hand."""

from dataclasses import replace
from math import isnan
from pathlib import Path
from struct import pack, unpack

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import ALL_FITTED, BASE, FIRST_UTC_S, HEADER_SCALE, Collector, chosen
from dustcake.core.alarms.names import Alarm, AlarmName, AlarmState
from dustcake.core.cleaning.state import PERMISSIVES
from dustcake.core.inputs import CONTACT_NAMES, Contacts, Stamp
from dustcake.core.reading import Quality, Sample
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State, first_state
from dustcake.core.step import Step
from dustcake.publish import plc
from dustcake.publish.plc import (
    HEADER_BYTES,
    ROWS,
    SIZE,
    RegisterSource,
    answer,
    documentation,
    image,
    length_of,
)
from examples import examples
from publish.histories import SETPOINTS, live

FULL = chosen(fitted=ALL_FITTED, header=HEADER_SCALE)


def uint32(words: list[int], address: int) -> int:
    return words[address] << 16 | words[address + 1]


def float32(words: list[int], address: int) -> float:
    value: float = unpack(">f", pack(">HH", *words[address : address + 2]))[0]
    return value


def seen(
    state: State, steps: int = 1, mono_s: float = 0.0, setpoints: Setpoints = FULL
) -> RegisterSource:
    return RegisterSource(state, setpoints, steps, mono_s)


@pytest.fixture
def state() -> State:
    return first_state(FULL, Stamp(0.0, FIRST_UTC_S))


def test_what_is_known_at_the_start(state: State) -> None:
    words = image(seen(state))
    assert words[0:4] == [2, 1, 65_535, 4]
    assert isnan(float32(words, 4))
    assert isnan(float32(words, 6))
    assert words[8:13] == [1, 1, 0, 0, 0]
    assert (float32(words, 24), float32(words, 26), float32(words, 28)) == (750.0, 1000.0, 1250.0)
    assert words[35] == 4
    assert len(words) == SIZE


def test_a_reading_and_its_age(state: State) -> None:
    sample = Sample(Stamp(10.0, None), 512.5, Quality.MAINTENANCE_REQUIRED)
    header = Sample(Stamp(10.0, None), 600_000.0, Quality.GOOD)
    words = image(seen(replace(state, sample=sample, header=header), mono_s=12.9))
    assert words[2:4] == [2, 1]
    assert (float32(words, 4), float32(words, 6)) == (512.5, 600_000.0)
    assert image(seen(replace(state, sample=sample), mono_s=1e6))[2] == 65_534
    assert image(seen(replace(state, sample=sample), mono_s=9.0))[2] == 0
    unsure = Sample(Stamp(10.0, None), 512.5, Quality.OUT_OF_SPECIFICATION)
    words = image(seen(replace(state, sample=unsure), mono_s=12.0))
    assert words[2:4] == [2, 2]
    assert isnan(float32(words, 4)), "a PLC that does not look at quality must not use it"


def test_contacts_and_which_of_them_are_known(state: State) -> None:
    contacts = Contacts(smoke=True, door_open=False, stop=True)
    blower = replace(state.blower, running=True)
    words = image(seen(replace(state, contacts=contacts, blower=blower)))
    assert words[10:12] == [0b10011, 0b10111]


def test_alarms_as_bits_and_counts(state: State) -> None:
    states = {
        AlarmName.HIGH_DP: AlarmState.UNACKNOWLEDGED,
        AlarmName.LOW_DP: AlarmState.ACKNOWLEDGED,
        AlarmName.SMOKE: AlarmState.RETURNED,
        AlarmName.DRUM_FULL: AlarmState.SHELVED,
    }
    alarms = tuple(Alarm(name, states.get(name, AlarmState.NORMAL)) for name in AlarmName)
    words = image(seen(replace(state, alarms=alarms)))
    assert words[13:15] == [2, 2]
    assert uint32(words, 16) == 0b110
    assert uint32(words, 18) == 1 << 9 | 0b10


def test_pulses_of_each_valve_and_of_all(state: State) -> None:
    pulsing = replace(state.pulsing, counts=(1, 70_000, 3, 0), last_valve=2)
    words = image(seen(replace(state, pulsing=pulsing), steps=65_537))
    assert [uint32(words, 40 + 2 * valve) for valve in range(5)] == [1, 70_000, 3, 0, 0]
    assert uint32(words, 32) == 70_004
    assert words[34] == 2
    assert words[1] == 1, "around 65535"
    most = replace(state.pulsing, counts=(5,) * 128)
    assert uint32(image(seen(replace(state, pulsing=most))), 294) == 5


def test_permissives_that_are_missing() -> None:
    collector = Collector(FULL)
    collector.poll(500.0)
    state = collector.state
    names = [permissive.name for permissive in state.decision.permissives]
    assert tuple(names) == PERMISSIVES
    missing = sum(
        1 << place for place, p in enumerate(state.decision.permissives) if p.met.value == "no"
    )
    assert image(seen(state))[12] == missing != 0


# Programs of PLCs are written by these: new ones go to the end.
BITS = """
filter_replacement high_dp low_dp cleaning_not_effective header_pressure_low
header_transmitter_fault transmitter_fault outputs_lost valve_stuck_open smoke journal_fault
cleaning_too_frequent fieldbus_lost blower_not_proved drum_full clock_not_set sensing_line_suspect
zero_drift valve_does_not_fire header_not_recovering filter_torn row_not_recovering
readings_often_lost
"""


def test_every_number_and_bit_has_its_place() -> None:
    assert list(AlarmName) == BITS.split()
    assert len(AlarmName) <= 32
    assert plc.PHASES == ("off", "idle", "waiting", "cleaning", "held", "blocked", "resting")
    assert plc.MODES == ("off", "on_demand", "timed")
    assert " ".join(plc.QUALITIES) == (
        "good maintenance_required out_of_specification function_check failure"
    )
    assert (
        " ".join(CONTACT_NAMES) == "blower_running smoke door_open process_running stop drum_full"
    )
    assert " ".join(PERMISSIVES) == (
        "valid_reading blower_running no_smoke no_stop door_shut header_pressure outputs_healthy "
        "journal_writable settled"
    )
    taken = [row.address + word for row in ROWS for word in range(row.words)]
    assert len(set(taken)) == len(taken)
    assert max(taken) < plc.FIRST_VALVE


@examples(20)
@given(st.data(), st.sampled_from(SETPOINTS))
def test_whatever_a_collector_lives_through_fits(data: st.DataObject, setpoints: Setpoints) -> None:
    def tell(_before: State, done: Step) -> None:
        words = image(RegisterSource(done.state, setpoints, done.state.next_seq, 1e9))
        assert all(0 <= word <= 65_535 for word in words)
        assert uint32(words, 30) == done.state.next_seq - 1

    live(data, tell, setpoints)


def test_the_documentation_is_fresh() -> None:
    written = Path(__file__).parents[2] / "config" / "plc.md"
    assert written.read_text(encoding="utf-8") == documentation(), "run dustcake schema plc"
    for row in ROWS:
        assert f"| {row.name} | {row.meaning} |" in documentation()


# Worked by hand: transaction, protocol 0, length, unit; function, address, count.
@pytest.mark.parametrize(
    ("request_hex", "reply_hex"),
    [
        ("0001 0000 0006 01 03 0001 0002", "0001 0000 0007 01 03 04 000b 000c"),
        ("ffff 0000 0006 01 04 0000 0001", "ffff 0000 0005 01 04 02 000a"),
        ("0001 0000 0006 02 03 0000 0001", "0001 0000 0003 02 83 0b"),
        ("0001 0000 0006 01 06 0000 0001", "0001 0000 0003 01 86 01"),
        ("0001 0000 0006 01 05 0000 ff00", "0001 0000 0003 01 85 01"),
        ("0001 0000 0006 01 03 0003 0001", "0001 0000 0003 01 83 02"),
        ("0001 0000 0006 01 03 0000 0004", "0001 0000 0003 01 83 02"),
        ("0001 0000 0006 01 03 ffff 0001", "0001 0000 0003 01 83 02"),
        ("0001 0000 0006 01 03 0000 0000", "0001 0000 0003 01 83 03"),
        ("0001 0000 0006 01 03 0000 007e", "0001 0000 0003 01 83 03"),
        ("0001 0000 0005 01 03 0000 00", "0001 0000 0003 01 83 03"),
        ("0001 0000 0002 01 2b", "0001 0000 0003 01 ab 01"),
    ],
)
def test_requests_and_replies(request_hex: str, reply_hex: str) -> None:
    request = bytes.fromhex(request_hex)
    header, pdu = request[:HEADER_BYTES], request[HEADER_BYTES:]
    assert length_of(header) == len(pdu)
    units = {1: [10, 11, 12]}
    assert answer(header, pdu, units.get) == bytes.fromhex(reply_hex)


@pytest.mark.parametrize(
    "header_hex", ["0001 0001 0006 01", "0001 0000 0001 01", "0001 0000 00ff 01", "474554202f2048"]
)
def test_what_is_no_modbus(header_hex: str) -> None:
    assert length_of(bytes.fromhex(header_hex)) is None


def test_the_base_has_no_header() -> None:
    words = image(RegisterSource(first_state(BASE, Stamp(0.0, None)), BASE, 0, 0.0))
    assert isnan(float32(words, 6))
