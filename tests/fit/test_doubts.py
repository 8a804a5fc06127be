"""Hours in which the reading is at fault are left out of a fit, and people are told of it."""

import warnings
from dataclasses import replace

import numpy as np
import pytest

from core.driver import chosen
from dustcake.core.inputs import Contacts
from dustcake_lab.fit.collector import FittedCollector, fit_collector
from dustcake_lab.fit.data import Samples, gather
from dustcake_lab.fit.trace import without_doubts
from dustcake_lab.traces.columns import Recorded
from dustcake_lab.traces.samples import Columns, Floats
from fit.independent import Collector, Truth

TRUTH = Truth(step_s=2)
JUMP_PA = 250.0
DOUBTING = chosen(
    fitted={"blower_running": True},
    signal_validation={"jump_pa": JUMP_PA, "jump_confirm_s": 3.0},
    pulse_response={"response_s": 4.0, "torn_share": 0.5, "torn_after_s": 600.0},
)
ON = (Contacts(blower_running=True),)


@pytest.fixture(scope="module")
def lived() -> Collector:
    collector = Collector(TRUTH, 7)
    collector.on_demand(2.0)
    return collector


def at_fault(samples: Samples) -> Floats:
    """Two hours 700 Pa too high, an hour and a half at half of what it is."""
    hour = samples.t_s / 3600.0
    dp_pa = samples.dp_pa + np.where((hour > 10.03) & (hour < 12.03), 700.0, 0.0)
    return dp_pa * np.where((hour > 26.03) & (hour < 27.53), 0.5, 1.0)


def read(samples: Samples, recorded: Recorded, dp_pa: Floats) -> Samples:
    columns = Columns(samples.t_s, 0.0, dp_pa, kinds=ON)
    return without_doubts(gather([columns], DOUBTING), [columns], DOUBTING, recorded)


def fitted(samples: Samples, recorded: Recorded) -> FittedCollector:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return fit_collector(samples, recorded, (1, 2, 3, 4))


def test_an_offset_and_a_leak_are_left_out_and_told(lived: Collector) -> None:
    samples, recorded = lived.trace()
    left = read(samples, recorded, at_fault(samples))
    hours = float(left.doubted.sum()) * TRUTH.step_s / 3600.0
    assert hours == pytest.approx(3.5, abs=0.2)
    assert len(left.notes) == 1
    assert left.notes[0].startswith("3.5 hours of running (7.3 %) are left out")
    assert "rose at once" in left.notes[0]
    assert "fell at once" in left.notes[0]
    found, whole = fitted(left, recorded), fitted(samples, recorded)
    assert found.residual.low < TRUTH.residual_pa < found.residual.high
    assert found.load.value == pytest.approx(whole.load.value, rel=0.03)
    assert found.lowest_dp_pa == pytest.approx(whole.lowest_dp_pa, rel=0.01)
    assert found.notes == left.notes


def test_left_in_they_would_open_what_the_trace_has_been_at(lived: Collector) -> None:
    samples, _ = lived.trace()
    dp_pa = at_fault(samples)
    assert float(np.quantile(dp_pa, 0.02)) < 0.8 * float(np.quantile(samples.dp_pa, 0.02))


def test_a_reading_that_is_at_fault_for_good_is_told_and_left_in(lived: Collector) -> None:
    samples, recorded = lived.trace()
    left = read(samples, recorded, samples.dp_pa + np.where(samples.t_s > 10 * 3600.0, 700.0, 0.0))
    assert not left.doubted.any()
    assert "too much to leave out" in left.notes[0]


def test_pulses_of_another_controller_are_no_fault() -> None:
    """Two rows and strong pulses: dP falls at once, and not when the replay would have pulsed."""
    truth = replace(TRUTH, rows=2, removed=0.9, media_pa_s_m=20_000.0, dust_kg_m3=3e-3)
    collector = Collector(truth, 3)
    collector.timed(1.0, 7200)
    samples, recorded = collector.trace()
    assert np.diff(samples.dp_pa).min() < -JUMP_PA
    left = read(samples, recorded, samples.dp_pa)
    assert not left.doubted.any()
    assert left.notes == ()
