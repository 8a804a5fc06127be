"""A fit recovers what made a trace, within the intervals it states, and refuses what it cannot."""

import os
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import binom

from dustcake_lab.fit.collector import FittedCollector, fit_collector
from dustcake_lab.fit.data import TooThinError
from fit.independent import Collector, Floats, Truth

TRUTH = Truth()
SEEDS = int(os.environ.get("DUSTCAKE_FIT_SEEDS", "10"))
"""More of them tell coverage more sharply: 100 take some four minutes."""


def fitted(collector: Collector) -> FittedCollector:
    return fit_collector(*collector.trace(), tuple(range(1, collector.truth.rows + 1)))


@pytest.mark.patience(1200, "hundreds of fits")
def test_stated_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """95 % intervals over many seeds: no rarer than 1 in 500 chances would have it."""
    held = dict.fromkeys(("load", "residual", "removed", "scatter"), 0)
    relative: list[float] = []
    for seed in range(SEEDS):
        collector = Collector(TRUTH, seed)
        collector.on_demand(3.0)
        found = fitted(collector)
        for name, truth in (
            ("load", TRUTH.load_pa_per_s),
            ("residual", TRUTH.residual_pa),
            ("removed", TRUTH.removed),
            ("scatter", TRUTH.scatter),
        ):
            interval = getattr(found, name)
            held[name] += interval.low <= truth <= interval.high
        relative.append((found.removed.high - found.removed.low) / TRUTH.removed)
        assert 0.4 < found.surprise < 2.5
        assert found.noise_pa == pytest.approx(TRUTH.noise_pa, rel=0.05)
    fewest = int(binom.ppf(0.002, SEEDS, 0.95))
    print("intervals that hold the truth, of", SEEDS, held, "width of removed", np.mean(relative))
    assert min(held.values()) >= fewest, held
    assert np.mean(relative) < 0.4, "intervals so wide hold anything"


def test_other_collectors_are_told_apart() -> None:
    """Six rows, half the dust, weaker pulses: none of it the default of anything."""
    truth = replace(
        TRUTH, rows=6, dust_kg_m3=2e-3, removed=0.35, scatter=0.1, media_pa_s_m=30_000.0
    )
    fits = []
    for seed in range(4, 8):
        collector = Collector(truth, seed)
        collector.on_demand(1.5, low_pa=700.0, high_pa=1100.0)
        fits.append(fitted(collector))
    assert [each.load.value for each in fits] == pytest.approx([truth.load_pa_per_s] * 4, rel=0.02)
    # Each interval may miss once in twenty times.
    assert sum(each.residual.low < truth.residual_pa < each.residual.high for each in fits) >= 3
    assert sum(each.removed.low < truth.removed < each.removed.high for each in fits) >= 3


def test_intervals_hold_the_truth_where_loads_go_by_gusts() -> None:
    """Work lasts: an hour's load is that of its first minutes. Errors that are each on their own
    would make intervals of the load that hold in two of three traces only."""
    truth, held = replace(TRUTH, gusts=0.4), dict.fromkeys(("load", "residual", "removed"), 0)
    for seed in range(8):
        collector = Collector(truth, seed)
        collector.on_demand(3.0)
        found = fitted(collector)
        held["load"] += found.load.low <= truth.load_pa_per_s <= found.load.high
        held["residual"] += found.residual.low <= truth.residual_pa <= found.residual.high
        held["removed"] += found.removed.low <= truth.removed <= found.removed.high
    assert min(held.values()) >= int(binom.ppf(0.01, 8, 0.95)), held
    assert sum(held.values()) >= 21, held


def test_the_load_of_each_hour() -> None:
    day, night = 1.6, 0.7
    collector = Collector(TRUTH, 3, lambda hour: day if 6 <= hour < 14 else night)
    collector.on_demand(4.0)
    found = fitted(collector)
    mean = (8 * day + 16 * night) / 24
    assert found.by_hour[7:13] == pytest.approx(day / mean, rel=0.05)
    assert found.by_hour[[0, 2, 4, 16, 20]] == pytest.approx(night / mean, rel=0.05)
    assert found.load.value == pytest.approx(TRUTH.load_pa_per_s * mean, rel=0.02)


def test_against_least_squares_where_nothing_scatters() -> None:
    """Without scatter the trace is one curve: the same parameters as scipy's least squares finds,
    by simulating all of it."""
    truth = replace(TRUTH, scatter=1e-6, noise_pa=1.0)
    collector = Collector(truth, 2)
    collector.on_demand(1.2)
    samples, recorded = collector.trace()
    found = fit_collector(samples, recorded, (1, 2, 3, 4))
    places = np.linspace(100, len(samples.t_s) - 1, 100).astype(int)

    def misfit(parameters: Floats) -> Floats:
        load, residual, removed = parameters[:3]
        s = parameters[3:].copy()
        left, done, at_s = list(recorded.pulses), [], 0.0
        for place in places:
            t_s = samples.t_s[place]
            while left and left[0].by_s < t_s:
                pulse = left.pop(0)
                s = grown(s, load * (pulse.by_s - at_s))
                at_s = pulse.by_s
                row = (pulse.valve or 1) - 1
                s[row] = residual + (s[row] - residual) * (1.0 - removed)
            s, at_s = grown(s, load * (t_s - at_s)), t_s
            done.append(4.0 / (1.0 / s).sum())
        left_over: Floats = np.array(done) - samples.dp_pa[places]
        return left_over

    start = np.array([0.02, 500.0, 0.5, *[samples.dp_pa[:50].mean()] * 4])
    solved = least_squares(misfit, start, x_scale=np.abs(start)).x
    assert found.load.value == pytest.approx(solved[0], rel=0.006)
    assert found.residual.value == pytest.approx(solved[1], rel=0.02)
    assert found.removed.value == pytest.approx(solved[2], rel=0.04)


def grown(s: Floats, added: float) -> Floats:
    """Rows after their mean has grown, by bisection on the growth of the squares they share."""
    low, high = 0.0, 4.0 * added * float(s.max()) + added**2 + 1e-9
    target = s.mean() + added
    for _ in range(45):
        middle = 0.5 * (low + high)
        if np.sqrt(s * s + middle).mean() < target:
            low = middle
        else:
            high = middle
    after: Floats = np.sqrt(s * s + low)
    return after


def test_refuses_a_steady_state() -> None:
    collector = Collector(TRUTH, 1)
    collector.timed(1.5, 240)
    with pytest.raises(TooThinError, match="at one steady state no trace can separate") as refused:
        fitted(collector)
    assert re.search(
        r"does not determine (residual dP, which no pulse takes off|the share .* off a row|"
        r"how fast dP rises between pulses): anything from [\d.]+ to [\d.]+ (Pa|%|Pa an hour) "
        r"explains it",
        str(refused.value),
    )


def test_refuses_too_few_pulses() -> None:
    collector = Collector(TRUTH, 1)
    collector.on_demand(0.4)
    with pytest.raises(TooThinError, match=r"pulses with readings around them, in 9\.6 hours"):
        fitted(collector)


def test_refuses_an_hour_with_four_pulses_and_says_how_long_it_takes() -> None:
    """Four in 1.04 hours are thirty in 7.8."""
    collector = Collector(TRUTH, 1)
    collector.run(3600)
    for _ in range(4):
        collector.pulse()
        collector.run(36)
    with pytest.raises(
        TooThinError,
        match=r"4 pulses .* in 1.0 hours of running, are too few: 30 are needed. Record for "
        r"longer: some 8 hours of running",
    ):
        fitted(collector)


def test_refuses_pulses_between_which_nothing_settles() -> None:
    collector = Collector(TRUTH, 1)
    collector.timed(0.01, 3)
    with pytest.raises(TooThinError, match=r"in only \d stretches .* less than 4 s after a pulse"):
        fitted(collector)


def test_refuses_a_trace_without_pulses() -> None:
    collector = Collector(TRUTH, 1)
    collector.run(3600)
    with pytest.raises(TooThinError, match="has no pulse"):
        fitted(collector)


def test_refuses_what_does_not_hold_in_the_last_third() -> None:
    collector = Collector(TRUTH, 4)
    collector.on_demand(3.0)
    collector.truth = replace(TRUTH, k2_per_s=2e5)
    collector.on_demand(3.5)
    with pytest.raises(TooThinError, match="does not hold in the last"):
        fitted(collector)
