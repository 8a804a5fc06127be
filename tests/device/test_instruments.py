"""Transmitters and sensing lines."""

from __future__ import annotations

import math
import random
import statistics
from dataclasses import replace

import pytest

from dustcake_sim.instruments import (
    SensingLine,
    Transmitter,
    TransmitterFault,
    TransmitterSpec,
    sensed_dp_pa,
)
from dustcake_sim.plant.state import OperatingPoint

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
    assert sensed_dp_pa(line, point) == reading_pa


def test_a_plugged_line_hardly_moves() -> None:
    one = transmitter(start=700.0)
    one.update(0.0, 60.0, plugged=True)
    assert 650.0 < one.value < 660.0
