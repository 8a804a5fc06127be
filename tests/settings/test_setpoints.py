from collections.abc import Iterator
from dataclasses import is_dataclass
from typing import Any, get_type_hints

import pytest
from pydantic import TypeAdapter, ValidationError

from dustcake.core.alarms.names import AlarmName, Priority
from dustcake.core.inputs import CONTACT_NAMES
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import (
    BlowerRequest,
    Fitted,
    OnBadReading,
    OutputKind,
    Scale,
    SignalKind,
    WordOrder,
)
from dustcake.settings.buses import Contacts
from dustcake.settings.setpoints import to_setpoints
from settings.files import BLOWER_CONTACT, TRANSMITTER, collector_of

INCH = 249.08891


def scale_of(kind: str, span: str, more: str = "") -> Scale:
    text = f'\n[collector.transmitter]\nbus = "io"\nregister = 0\nkind = "{kind}"\n{span}\n{more}\n'
    # Set points low enough for any span tried here.
    lines = """
        alarms.low = "10 Pa"
        cleaning.low = "50 Pa"
        cleaning.high = "100 Pa"
        alarms.replacement = "200 Pa"
        alarms.high = "300 Pa"
        alarms.deadband = "5 Pa"
        blower.flow_proof = "20 Pa"
        zeroing.limit = "5 Pa"
    """
    return to_setpoints(collector_of(lines, transmitter=text)).dp


def test_loop_current_worked_example() -> None:
    # 12.8 mA of 4-20 mA over 0 to 6 inH2O is 3.3 inH2O.
    scale = scale_of("current", 'span = ["0 inH2O", "6 inH2O"]')
    assert scale.offset_pa + scale.gain_pa * 12.8 == pytest.approx(821.9934, rel=1e-6)
    assert scale.kind is SignalKind.CURRENT
    assert scale.span_low_pa == 0.0
    assert scale.span_high_pa == pytest.approx(6 * INCH)


# NE 43 limits and a mid value, in inH2O on the same transmitter; computed by hand.
@pytest.mark.parametrize(
    ("ma", "inches"), [(3.6, -0.15), (3.8, -0.075), (8, 1.5), (12, 3), (20.5, 6.1875), (21, 6.375)]
)
def test_loop_current_beyond_the_span(ma: float, inches: float) -> None:
    scale = scale_of("current", 'span = ["0 inH2O", "6 inH2O"]')
    assert scale.offset_pa + scale.gain_pa * ma == pytest.approx(inches * INCH, rel=1e-9)


@pytest.mark.parametrize(
    ("counts", "word", "ma"),
    [
        ("", 12800, 12.8),
        ("counts = [400, 2000]", 1280, 12.8),
        ("counts = [13107, 65535]", 13107, 4),
    ],
)
def test_counts_of_a_loop_current(counts: str, word: int, ma: float) -> None:
    scale = scale_of("current", 'span = ["-2 mbar", "8 mbar"]', counts)
    assert scale.ma_per_count * word == pytest.approx(ma, rel=1e-4)
    assert scale.offset_pa + scale.gain_pa * 4 == pytest.approx(-200)
    assert scale.offset_pa + scale.gain_pa * 20 == pytest.approx(800)


def test_scaled_integer() -> None:
    scale = scale_of("scaled_integer", 'span = ["-500 Pa", "2500 Pa"]', "counts = [-5000, 25000]")
    assert scale.offset_pa + scale.gain_pa * 9963 == pytest.approx(996.3)
    assert scale.offset_pa + scale.gain_pa * -5000 == pytest.approx(-500)


def test_float_is_in_the_unit_of_span() -> None:
    scale = scale_of("float32", 'span = ["0 mmH2O", "200 mmH2O"]', 'word_order = "cdab"')
    assert (scale.offset_pa, scale.gain_pa) == (0.0, 9.80665)
    assert scale.word_order is WordOrder.CDAB


def test_defaults_of_a_minimal_file() -> None:
    points = to_setpoints(collector_of())
    cleaning, limits, pulsing = points.cleaning, points.limits, points.pulsing
    assert points.collector == "west"
    assert cleaning.mode is Mode.ON_DEMAND
    assert cleaning.low_pa == pytest.approx(3 * INCH)
    assert cleaning.high_pa == pytest.approx(4 * INCH)
    assert limits.low_pa == pytest.approx(0.3 * INCH)
    assert limits.replacement_pa == pytest.approx(5 * INCH)
    assert limits.high_pa == pytest.approx(6 * INCH)
    assert 0.02 * limits.high_pa <= limits.deadband_pa <= 0.05 * limits.high_pa
    assert limits.replacement_cycles == 3
    assert (pulsing.on_time_s, pulsing.interval_s, pulsing.order) == (0.15, 15.0, (2, 4, 1, 3))
    assert pulsing.sequencer_cycle_s == 60.0
    assert (cleaning.max_cycles, cleaning.rest_s, cleaning.finish_cycle) == (10, 900.0, True)
    assert (cleaning.downtime, cleaning.downtime_spin_down_s) == (False, 90.0)
    assert cleaning.downtime_passes == 2
    assert cleaning.on_bad_reading is OnBadReading.TIMED
    assert (cleaning.fallback_delay_s, cleaning.fallback_interval_s) == (30.0, 60.0)
    assert cleaning.timed_interval_s == 15.0
    assert points.header is None
    assert points.fitted == Fitted()
    assert points.zeroing.limit_pa == pytest.approx(0.05 * INCH)
    assert points.blower.request is BlowerRequest.NONE
    assert points.stale_after_s == 5.0


def test_zero_limit_is_a_part_of_the_whole_span() -> None:
    both_ways = TRANSMITTER.replace('"0 inH2O"', '"-2 inH2O"')
    points = to_setpoints(collector_of(transmitter=both_ways))
    assert points.zeroing.limit_pa == pytest.approx(0.06 * INCH)


def test_default_alarms() -> None:
    alarms = {alarm.name: alarm for alarm in to_setpoints(collector_of()).alarms}
    assert list(alarms) == list(AlarmName)
    assert all(alarm.enabled for alarm in alarms.values())
    assert alarms[AlarmName.SMOKE].on_delay_s == 0.0
    assert alarms[AlarmName.SMOKE].priority is Priority.HIGH
    for name in (AlarmName.HIGH_DP, AlarmName.LOW_DP, AlarmName.TRANSMITTER_FAULT):
        assert 30.0 <= alarms[name].on_delay_s <= 60.0
    high = [alarm for alarm in alarms.values() if alarm.priority is Priority.HIGH]
    assert len(high) <= 2


def test_an_override_changes_only_what_it_names() -> None:
    lines = """
        alarms.override.high_dp = { on_delay_s = 5, priority = "high" }
        alarms.override.low_dp.enabled = false
    """
    before = {alarm.name: alarm for alarm in to_setpoints(collector_of()).alarms}
    after = {alarm.name: alarm for alarm in to_setpoints(collector_of(lines)).alarms}
    changed = {name for name in AlarmName if before[name] != after[name]}
    assert changed == {AlarmName.HIGH_DP, AlarmName.LOW_DP}
    high = after[AlarmName.HIGH_DP]
    assert (high.on_delay_s, high.priority, high.enabled) == (5.0, Priority.HIGH, True)
    assert high.off_delay_s == before[AlarmName.HIGH_DP].off_delay_s
    assert not after[AlarmName.LOW_DP].enabled


def test_intervals_left_out_follow_the_pulse_interval() -> None:
    cleaning = to_setpoints(collector_of("pulsing.interval_s = 90")).cleaning
    assert (cleaning.timed_interval_s, cleaning.fallback_interval_s) == (90.0, 90.0)


def test_stale_after_three_polls() -> None:
    assert to_setpoints(collector_of("poll_s = 4")).stale_after_s == 12.0
    assert to_setpoints(collector_of("poll_s = 4\nstale_after_s = 9")).stale_after_s == 9.0


def test_a_sequencer_board() -> None:
    outputs = '[collector.outputs]\nbus = "io"\nkind = "demand_contact"\ncoils = [7]\n'
    points = to_setpoints(collector_of("pulsing.sequencer_cycle_s = 80", outputs=outputs))
    assert points.pulsing.kind is OutputKind.DEMAND_CONTACT
    assert (points.pulsing.order, points.pulsing.sequencer_cycle_s) == ((1,), 80.0)


def test_everything_fitted() -> None:
    lines = (
        BLOWER_CONTACT
        + """
        contacts.smoke = { bus = "io", address = 1, invert = true }
        contacts.process_running = { bus = "io", address = 2 }
        header = { bus = "io", register = 1, kind = "current", span = ["0 psi", "150 psi"] }
        blower = { request = "process", coil = { bus = "io", coil = 9 }, run_on_s = 7 }
    """
    )
    points = to_setpoints(collector_of(lines))
    assert points.fitted == Fitted(blower_running=True, smoke=True, process_running=True)
    assert points.header is not None
    assert points.header.span_high_pa == pytest.approx(150 * 6894.757293168361)
    assert points.header_limits.min_pa == pytest.approx(413_685.4, rel=1e-6)
    assert points.header_limits.max_pa == pytest.approx(758_423.3, rel=1e-6)
    assert (points.blower.request, points.blower.run_on_s) == (BlowerRequest.PROCESS, 7.0)


def test_written_order_and_pressures_in_other_units() -> None:
    lines = """
        pulsing.order = [4, 3, 2, 1]
        cleaning.low = "7 mbar"
        cleaning.high = "1 kPa"
    """
    points = to_setpoints(collector_of(lines, transmitter=TRANSMITTER))
    assert points.pulsing.order == (4, 3, 2, 1)
    assert points.cleaning.low_pa == pytest.approx(700)
    assert points.cleaning.high_pa == 1000.0


EVERYTHING = """
    header = { bus = "io", register = 1, kind = "current", span = ["0 psi", "150 psi"] }
    contacts.smoke = { bus = "io", address = 5 }
    air.header_volume_l = 30.0
    edited_by = "night shift"
"""


def values_of(record: Any, path: str) -> Iterator[tuple[str, object, Any]]:
    """Each value in ``record`` and in the records it holds, with its type there."""
    for name, wanted in get_type_hints(type(record)).items():
        value = getattr(record, name)
        yield f"{path}.{name}", value, wanted
        if is_dataclass(value):
            yield from values_of(value, f"{path}.{name}")


@pytest.mark.parametrize("lines", ["", EVERYTHING], ids=["least", "most"])
def test_what_is_taken_over_by_rule_has_the_type_that_the_core_wants(lines: str) -> None:
    setpoints = to_setpoints(collector_of(lines))
    for path, value, wanted in values_of(setpoints, "setpoints"):
        try:
            TypeAdapter(wanted).validate_python(value, strict=True)
        except ValidationError as error:
            pytest.fail(f"{path}: {error}")


def test_every_contact_of_the_core_can_be_wired() -> None:
    assert tuple(Contacts.model_fields) == CONTACT_NAMES
