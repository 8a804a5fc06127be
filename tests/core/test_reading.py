"""From raw signal to sample: scaling, word orders, limits of a loop current, quality, staleness."""

from math import inf, nan

import pytest

from core.driver import BASE, DP_SCALE, LOST, Collector, chosen, ready
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import QualityChanged
from dustcake.core.inputs import Measured, PollCompleted, Registers
from dustcake.core.reading import Quality, interpret
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Scale, Setpoints, SignalKind, WordOrder

INH2O_PA = 249.08891  # conventional inch of water, 25.4 mm x 9.80665 m/s2

# 4-20 mA for 0-6 inH2O, the current counted in microamperes.
LOOP = Scale(
    SignalKind.CURRENT, -4 * 6 * INH2O_PA / 16, 6 * INH2O_PA / 16, 0.0, 6 * INH2O_PA, 0.001
)


@pytest.mark.parametrize(
    ("count", "inh2o"),
    [(4000, 0.0), (8000, 1.5), (12000, 3.0), (12800, 3.3), (20000, 6.0), (20500, 6.1875)],
)
def test_a_loop_current_is_linear_between_4_and_20_ma(count: int, inh2o: float) -> None:
    pa, quality, _ = interpret(Registers((count,)), LOOP, 0.0)
    assert pa == pytest.approx(inh2o * INH2O_PA, rel=1e-6, abs=1e-9)
    assert quality is Quality.GOOD


def test_12_8_ma_of_0_to_6_inches_is_822_pascals() -> None:
    pa, _, _ = interpret(Registers((12800,)), LOOP, 0.0)
    assert pa == pytest.approx(821.9934, rel=1e-6)


@pytest.mark.parametrize(
    ("why", "count", "quality", "because"),
    [
        ("broken wire", 0, Quality.FAILURE, Because.CURRENT_FAILURE),
        ("at the lower failure limit", 3600, Quality.FAILURE, Because.CURRENT_FAILURE),
        ("above it", 3601, Quality.OUT_OF_SPECIFICATION, Because.CURRENT_UNCERTAIN),
        ("below measurement", 3799, Quality.OUT_OF_SPECIFICATION, Because.CURRENT_UNCERTAIN),
        ("lowest measurement", 3800, Quality.GOOD, None),
        ("highest measurement", 20500, Quality.GOOD, None),
        ("above it", 20501, Quality.OUT_OF_SPECIFICATION, Because.CURRENT_UNCERTAIN),
        ("below failure", 20999, Quality.OUT_OF_SPECIFICATION, Because.CURRENT_UNCERTAIN),
        ("at the upper failure limit", 21000, Quality.FAILURE, Because.CURRENT_FAILURE),
        ("all bits set", 65535, Quality.FAILURE, Because.CURRENT_FAILURE),
    ],
)
def test_limits_of_a_loop_current(
    why: str, count: int, quality: Quality, because: Because | None
) -> None:
    """NAMUR NE 43, secondary source."""
    pa, got, reasons = interpret(Registers((count,)), LOOP, 0.0)
    assert got is quality, why
    assert [reason.code for reason in reasons] == ([] if because is None else [because])
    assert (pa is None) is (quality is Quality.FAILURE)


def test_a_small_negative_dp_is_shown_as_it_is() -> None:
    """3.8 mA is -1.25 % of span, and still measurement: nothing is clipped at zero."""
    pa, quality, _ = interpret(Registers((3800,)), LOOP, 0.0)
    assert pa == pytest.approx(-0.075 * INH2O_PA, rel=1e-9)
    assert quality is Quality.GOOD


FLOATS = {
    123.456: (0x42F6, 0xE979),
    3.1415927: (0x4049, 0x0FDB),
    249.08891: (0x4379, 0x16C3),
    3.5: (0x4060, 0x0000),
}


def _swapped(word: int) -> int:
    return (word & 0xFF) << 8 | word >> 8


@pytest.mark.parametrize("number", FLOATS)
@pytest.mark.parametrize("order", WordOrder)
def test_every_order_of_the_bytes_of_a_float(number: float, order: WordOrder) -> None:
    a, b = FLOATS[number]
    words = {
        WordOrder.ABCD: (a, b),
        WordOrder.CDAB: (b, a),
        WordOrder.BADC: (_swapped(a), _swapped(b)),
        WordOrder.DCBA: (_swapped(b), _swapped(a)),
    }[order]
    scale = Scale(SignalKind.FLOAT32, 0.0, 1.0, 0.0, 2500.0, word_order=order)
    pa, quality, _ = interpret(Registers(words), scale, 0.0)
    assert pa == pytest.approx(number, rel=1e-7)
    assert quality is Quality.GOOD


def test_the_wrong_order_does_not_read_the_same() -> None:
    scale = Scale(SignalKind.FLOAT32, 0.0, 1.0, 0.0, 2500.0, word_order=WordOrder.CDAB)
    pa, _, _ = interpret(Registers((0x42F6, 0xE979)), scale, 0.0)
    assert pa is None or abs(pa - 123.456) > 1


@pytest.mark.parametrize(
    ("word", "pa"), [(0, 0.0), (1000, 1000.0), (32767, 32767.0), (65535, -1.0), (32768, -32768.0)]
)
def test_a_scaled_integer_is_signed(word: int, pa: float) -> None:
    scale = Scale(SignalKind.SCALED_INTEGER, 0.0, 1.0, -40000.0, 40000.0)
    assert interpret(Registers((word,)), scale, 0.0)[0] == pa


@pytest.mark.parametrize(
    ("why", "signal", "scale", "because"),
    [
        ("quiet NaN", Registers((0x7FC0, 0)), DP_SCALE, Because.NOT_A_NUMBER),
        ("infinite", Registers((0x7F80, 0)), DP_SCALE, Because.NOT_A_NUMBER),
        ("NaN measured", Measured(nan), DP_SCALE, Because.NOT_A_NUMBER),
        ("infinite measured", Measured(-inf), DP_SCALE, Because.NOT_A_NUMBER),
        ("float needs two words", Registers((1,)), DP_SCALE, Because.WRONG_WORD_COUNT),
        ("none at all", Registers(()), DP_SCALE, Because.WRONG_WORD_COUNT),
        ("current needs one", Registers((1, 2)), LOOP, Because.WRONG_WORD_COUNT),
        ("not read", LOST, DP_SCALE, Because.READ_FAILED),
    ],
)
def test_what_is_no_number_is_a_failure(
    why: str, signal: Registers, scale: Scale, because: Because
) -> None:
    pa, quality, reasons = interpret(signal, scale, 5.0)
    assert (pa, quality, reasons[0].code) == (None, Quality.FAILURE, because), why


def test_a_failed_read_says_of_what_and_why() -> None:
    _, _, reasons = interpret(LOST, DP_SCALE, 0.0)
    assert reasons[0].detail == "timeout: no reply"


@pytest.mark.parametrize(
    ("pa", "quality"),
    [
        (-31.25, Quality.GOOD),  # -1.25 % of 2500 Pa
        (-31.3, Quality.OUT_OF_SPECIFICATION),
        (2578.125, Quality.GOOD),  # 103.125 %
        (2578.2, Quality.OUT_OF_SPECIFICATION),
    ],
)
def test_a_value_far_beyond_the_span_is_shown_but_not_used(pa: float, quality: Quality) -> None:
    got, got_quality, _ = interpret(Measured(pa), DP_SCALE, 0.0)
    assert (got, got_quality) == (pa, quality)


@pytest.mark.parametrize("pa", [100.0, 2578.0, 2600.0])
def test_the_zero_is_subtracted_after_the_span_is_judged(pa: float) -> None:
    got, quality, _ = interpret(Measured(pa), DP_SCALE, 10.0)
    assert got == pa - 10.0
    assert quality is (Quality.GOOD if pa < 2578.125 else Quality.OUT_OF_SPECIFICATION)


def test_only_changes_of_quality_are_events() -> None:
    collector = Collector()
    for dp in (800.0, 810.0, LOST, LOST, 3000.0, 3100.0, 800.0):
        collector.poll(dp)
    told = [(body.quality, [r.code for r in body.reasons]) for body in collector.of(QualityChanged)]
    assert told == [
        (Quality.GOOD, []),
        (Quality.FAILURE, [Because.READ_FAILED]),
        (Quality.OUT_OF_SPECIFICATION, [Because.BEYOND_SPAN]),
        (Quality.GOOD, []),
    ]


def test_before_the_first_poll_there_is_no_sample() -> None:
    collector = Collector()
    sample = collector.state.sample
    assert (sample.pa, sample.quality) == (None, Quality.FAILURE)
    assert sample.reasons[0].code is Because.NO_SAMPLE_YET


def test_a_reading_goes_stale_at_its_limit_and_not_before() -> None:
    collector = ready()
    read_s = collector.t
    assert collector.last.wake_at_s == read_s + BASE.stale_after_s
    collector.advance(read_s + BASE.stale_after_s - 0.001)
    assert collector.state.sample.quality is Quality.GOOD
    collector.advance(read_s + BASE.stale_after_s)
    assert collector.state.sample.reasons[0].code is Because.STALE
    assert collector.state.sample.pa is None


def test_stale_is_told_once() -> None:
    collector = ready().wait(60.0)
    assert [body.quality for body in collector.of(QualityChanged)] == ["good", "failure"]


def test_contacts_and_header_go_stale_with_the_reading() -> None:
    """When polls stop altogether, "no smoke" is no longer known, whatever the last one said."""
    setpoints = chosen(fitted={"smoke": True, "blower_running": True}, cleaning={"mode": "off"})
    collector = ready(setpoints, smoke=False, blower_running=True)
    collector.wait(BASE.stale_after_s)
    assert collector.state.contacts.smoke is None
    assert collector.met("no_smoke") == "no"
    assert collector.state.blower.running is None


def test_contacts_go_stale_even_if_dp_had_already_failed() -> None:
    collector = ready(chosen(fitted={"smoke": True}), smoke=False)
    collector.poll(LOST)
    assert collector.met("no_smoke") == "yes"
    assert collector.last.wake_at_s is not None
    collector.wait(BASE.stale_after_s)
    assert collector.met("no_smoke") == "no"
    collector.wait(3600.0)
    assert len(collector.of(QualityChanged)) == 3  # good, read failed, stale


def test_a_late_poll_does_not_make_its_own_sample_stale() -> None:
    collector = ready()
    collector.t += 100.0  # nobody woke the core meanwhile
    collector.feed(PollCompleted(collector.now, Measured(800.0), collector.contacts))
    assert collector.state.sample.quality is Quality.GOOD


# --- the high dP alarm beyond the span


def high_dp(collector: Collector) -> list[str]:
    return [state for _, state in collector.alarm_changes(AlarmName.HIGH_DP)]


OFF = chosen(cleaning={"mode": Mode.OFF})
WIDE = chosen(OFF, limits={"high_pa": 2600.0})


@pytest.mark.parametrize(
    ("why", "setpoints", "dp", "expected"),
    [
        ("beyond the span is high", OFF, 2600.0, ["unacknowledged"]),
        ("below the span is not", OFF, -100.0, []),
        ("the limit lies beyond the span as well", WIDE, 2599.0, []),
        ("and is reached", WIDE, 2600.0, ["unacknowledged"]),
        ("no number at all", OFF, float("nan"), []),
    ],
)
def test_a_reading_beyond_the_span(
    why: str, setpoints: Setpoints, dp: float, expected: list[str]
) -> None:
    assert high_dp(ready(setpoints).hold(dp, 60)) == expected, why


def test_beyond_the_span_is_no_gap_in_the_delay_and_clears_nothing() -> None:
    collector = ready(OFF).hold(2400.0, 6).hold(2600.0, 6)
    assert high_dp(collector) == ["unacknowledged"]
    collector.hold(-100.0, 60)
    assert high_dp(collector) == ["unacknowledged"]
    collector.hold(1000.0, 25)
    assert high_dp(collector) == ["unacknowledged", "returned"]
