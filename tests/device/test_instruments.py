"""Transmitters and sensing lines."""

from __future__ import annotations

import math
import random
import statistics
from dataclasses import replace

import pytest

from dustcake_sim.instruments import Transmitter, TransmitterFault, TransmitterSpec
from dustcake_sim.plant.state import OperatingPoint
from dustcake_sim.sampling import SampleNoise
from dustcake_sim.sensing import PLUGGED_LINE_S, Sensing, SensingLine

IDEAL = TransmitterSpec(span_low=0.0, span_high=2500.0, damping_s=0.0, noise=0.0, resolution=0.0)


def transmitter(spec: TransmitterSpec = IDEAL, start: float = 0.0, seed: int = 1) -> Transmitter:
    return Transmitter(spec, random.Random(seed), start)


@pytest.mark.parametrize(
    ("time_constant_s", "dt_s", "share"), [(2.0, 0.5, 0.22119922), (5.0, 1.0, 0.18126925)]
)
def test_damping_of_one_step(time_constant_s: float, dt_s: float, share: float) -> None:
    damped = transmitter(replace(IDEAL, damping_s=time_constant_s))
    damped.update(1000.0, dt_s)
    assert damped.value == pytest.approx(1000.0 * share, rel=1e-7)


@pytest.mark.parametrize(("multiple", "percent"), [(1, 63.212), (3, 95.021)])
def test_step_response(multiple: int, percent: float) -> None:
    damped = transmitter(replace(IDEAL, damping_s=0.5))
    for _ in range(multiple * 50):
        damped.update(100.0, 0.01)
    assert damped.value == pytest.approx(percent, abs=6e-4)


def test_resolution_and_noise() -> None:
    coarse = transmitter(replace(IDEAL, resolution=0.5))
    coarse.update(100.2, 0.01)
    assert coarse.value == 100.0
    noisy = transmitter(replace(IDEAL, noise=3.0))
    values: list[float] = []
    for _ in range(4000):
        noisy.update(500.0, 0.01)
        values.append(noisy.value)
    assert statistics.fmean(values) == pytest.approx(500.0, abs=0.3)
    assert statistics.stdev(values) == pytest.approx(3.0, rel=0.05)


def test_same_seed_same_noise() -> None:
    def run(seed: int) -> list[float]:
        noisy = transmitter(replace(IDEAL, noise=3.0), seed=seed)
        values: list[float] = []
        for _ in range(20):
            noisy.update(500.0, 0.01)
            values.append(noisy.value)
        return values

    assert run(5) == run(5)
    assert run(5) != run(6)


def test_faults() -> None:
    one = transmitter(start=700.0)
    one.fail(TransmitterFault.NAN)
    assert math.isnan(one.value)
    one.fail(TransmitterFault.FROZEN)
    one.update(900.0, 1.0)
    assert one.value == 700.0
    one.fail(TransmitterFault.CURRENT, current_ma=3.5)
    one.update(900.0, 1.0)
    assert (one.value, one.forced_current_ma) == (900.0, 3.5)
    one.fail(TransmitterFault.NONE)
    one.zero_error = 40.0
    one.update(900.0, 1.0)
    assert (one.value, one.forced_current_ma) == (940.0, None)


def test_a_fault_does_not_shift_the_readings_after_it() -> None:
    def run(fault: TransmitterFault) -> float:
        noisy = transmitter(replace(IDEAL, noise=3.0))
        noisy.fail(fault)
        noisy.update(500.0, 0.01)
        noisy.fail(TransmitterFault.NONE)
        noisy.update(500.0, 0.01)
        return noisy.value

    assert run(TransmitterFault.FROZEN) == run(TransmitterFault.NONE)


def test_faults_of_the_loop() -> None:
    assert transmitter(start=1250.0).forced_current_ma is None
    one = transmitter(start=1250.0)
    one.fail(TransmitterFault.STARVED, current_ma=9.0)
    assert one.forced_current_ma == 9.0
    one.update(312.5, 1.0)
    assert one.forced_current_ma == pytest.approx(6.0)
    one.fail(TransmitterFault.LEAKING, current_ma=1.5)
    assert one.forced_current_ma == pytest.approx(4.5)
    one.fail(TransmitterFault.LEAKING, current_ma=10.0)
    assert one.forced_current_ma == 0.0
    assert one.value == 312.5, "only the loop is at fault"


def test_span_error_comes_before_zero_error() -> None:
    one = transmitter()
    one.span_error, one.zero_error = 0.01, -5.0
    one.update(1000.0, 1.0)
    assert one.value == pytest.approx(1005.0)


def test_noise_is_cut_off() -> None:
    noisy = transmitter(replace(IDEAL, noise=3.0), start=500.0)
    assert noisy.sample(9.0) == 500.0 + 4.0 * 3.0
    assert noisy.sample(-9.0) == 500.0 - 4.0 * 3.0
    assert noisy.sample(0.5) == 501.5
    assert (
        replace(IDEAL, noise=3.0, resolution=0.5).noise * 4.0 + 0.25
        == transmitter(replace(IDEAL, noise=3.0, resolution=0.5)).reach
    )


def test_following_a_ramp_is_exact_in_one_step_or_many() -> None:
    spec = replace(IDEAL, damping_s=2.0)
    one, many = transmitter(spec, start=100.0), transmitter(spec, start=100.0)
    one.follow(700.0, 30.0)
    for step in range(1, 301):
        many.follow(100.0 + 2.0 * step, 0.1)
    assert many.damped == pytest.approx(one.damped, rel=1e-12)
    # Long after the start of a ramp the lag is the time constant.
    assert one.damped == pytest.approx(700.0 - 20.0 * 2.0, abs=1e-4)
    one.jump(0.0)
    one.follow(0.0, 2.0)
    assert one.damped == pytest.approx((700.0 - 40.0) * math.exp(-1.0), rel=1e-5)


def test_sample_noise_belongs_to_the_sample() -> None:
    first, again, other = SampleNoise(3, 0), SampleNoise(3, 0), SampleNoise(3, 1)
    numbers = list(range(40_000))
    values = [first(number) for number in numbers]
    assert [again(number) for number in reversed(numbers)] == values[::-1]
    assert statistics.fmean(values) == pytest.approx(0.0, abs=0.02)
    assert statistics.stdev(values) == pytest.approx(1.0, abs=0.02)
    assert statistics.correlation(values[:-1], values[1:]) == pytest.approx(0.0, abs=0.02)
    others = [other(number) for number in numbers]
    assert statistics.correlation(values, others) == pytest.approx(0.0, abs=0.02)


def test_a_current_belongs_to_its_fault() -> None:
    with pytest.raises(ValueError, match="current_ma"):
        transmitter().fail(TransmitterFault.CURRENT)
    with pytest.raises(ValueError, match="current_ma"):
        transmitter().fail(TransmitterFault.FROZEN, current_ma=3.5)


@pytest.mark.parametrize(
    ("line", "reading_pa"),
    [
        (SensingLine.CLEAR, 700.0),
        (SensingLine.PLUGGED, 700.0),
        (SensingLine.HIGH_OPEN, 1200.0),
        (SensingLine.LOW_OPEN, -500.0),
        (SensingLine.BOTH_OPEN, 0.0),
        (SensingLine.SWAPPED, -700.0),
    ],
)
def test_lines_with_the_fan_downstream(line: SensingLine, reading_pa: float) -> None:
    point = OperatingPoint(
        flow_m3_s=1.0,
        dp_pa=700.0,
        face_velocity_m_s=(0.0125,),
        dirty_side_gauge_pa=-500.0,
        clean_side_gauge_pa=-1200.0,
    )
    assert Sensing(line).dp_pa(point) == reading_pa


@pytest.mark.parametrize(
    ("sensing", "reading_pa"),
    [
        (Sensing(SensingLine.HIGH_LEAKING, share=0.5), 950.0),
        (Sensing(SensingLine.HIGH_LEAKING, share=1.0), 1200.0),
        (Sensing(SensingLine.LOW_LEAKING, share=0.5), 100.0),
        (Sensing(SensingLine.LOW_LEAKING, share=1.0), -500.0),
        (Sensing(SensingLine.WET, column_pa=-120.0), 580.0),
    ],
)
def test_leaking_and_wet_lines(sensing: Sensing, reading_pa: float) -> None:
    point = OperatingPoint(1.0, 700.0, (0.0125,), -500.0, -1200.0)
    assert sensing.dp_pa(point) == pytest.approx(reading_pa)


def test_a_plug_closes_bit_by_bit() -> None:
    sensing = Sensing(SensingLine.PLUGGED, since_s=1000.0, over_s=3600.0)
    lags_s = [sensing.lag_s(at_s, 0.5) for at_s in (500.0, 1000.0, 2800.0, 4600.0, 9000.0)]
    assert lags_s == pytest.approx([0.5, 0.5, math.sqrt(0.5 * 900.0), 900.0, 900.0])
    assert Sensing(SensingLine.PLUGGED).lag_s(0.0, 0.5) == 900.0
    assert Sensing().lag_s(0.0, 0.5) == 0.5
    assert Sensing(SensingLine.WET).lag_s(0.0, 0.5) == 20.0


def test_a_plugged_line_hardly_moves() -> None:
    one = transmitter(start=700.0)
    one.update(0.0, 60.0, lag_s=PLUGGED_LINE_S)
    assert 650.0 < one.value < 660.0
