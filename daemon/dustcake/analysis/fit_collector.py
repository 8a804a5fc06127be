"""A collector estimated from a trace: what loads it, what a pulse takes off, and how surely.

Refuses where the trace cannot say, and says what is missing. The last third of the trace takes no
part in the estimate; it has to be predicted by it.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from dustcake.analysis.columns import Floats
from dustcake.analysis.fit_data import Bins, Samples, TooThinError, bins_of
from dustcake.analysis.fit_filter import NAMES, load_clock, natural, passed
from dustcake.analysis.fit_search import Estimate, estimate, rises
from dustcake.analysis.trace_columns import Recorded

LEAST_PULSES = 30
MOST_BINS = 2500
"""More make an estimate no better than the model is."""
_LEARNT = 2 / 3
_NARROWEST = 2e-3
"""Relative standard error below which none is believed: the filter is linearised."""
_OPEN = {"residual": 0.5, "removed": 0.4, "load": 0.3}
"""Half width of a 95 % interval, over the value, beyond which a trace has not said it."""
_MOST_SURPRISE = 4.0


@dataclass(slots=True)
class Interval:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(slots=True)
class FittedCollector:
    """``load`` Pa a second of running at mean flow (K2 c V^2); ``residual`` Pa; ``removed``: share
    of a row's cake that a pulse takes off, ``scatter`` its standard deviation; ``gusts``: of an
    hour's load over the load. ``by_hour``: load of each hour of the day over the mean one;
    ``running``: share of it that the blower ran. ``flow_m3s``: mean flow, None if not recorded;
    ``flow_fall_per_pa``: by what part of itself flow falls with each Pa of dP. ``lowest_dp_pa``:
    below it the trace shows nothing of how pulses work. ``surprise``: mean square of the errors in
    the held-out part over what was predicted for it; 1 is right. ``within``: share of them within
    their 95 % limits."""

    rows: int
    load: Interval
    residual: Interval
    removed: Interval
    scatter: Interval
    gusts: float
    noise_pa: float
    by_hour: Floats
    by_hour_error: Floats
    running: Floats
    flow_m3s: float | None
    flow_fall_per_pa: float
    mean_dp_pa: float
    lowest_dp_pa: float
    pulses: int
    surprise: float
    within: float
    theta: Floats
    covariance: Floats

    def draws(self, count: int, seed: int) -> Floats:
        """Sets of parameters the trace does not rule out, one a line, as ``fit_filter.NAMES``;
        the first is the likeliest one."""
        rng = np.random.default_rng(seed)
        drawn = rng.multivariate_normal(self.theta, self.covariance, size=count)
        drawn[0] = self.theta
        return natural(drawn)

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        intervals = {
            name: {"value": each.value, "low": each.low, "high": each.high}
            for name, each in (
                ("load_pa_per_s", self.load),
                ("residual_pa", self.residual),
                ("removed_per_pulse", self.removed),
                ("scatter_of_removed", self.scatter),
            )
        }
        return {
            **intervals,
            "noise_pa": self.noise_pa,
            "load_by_hour": self.by_hour.tolist(),
            "running_by_hour": self.running.tolist(),
            "flow_m3s": self.flow_m3s,
            "lowest_dp_pa": self.lowest_dp_pa,
            "pulses": self.pulses,
            "held_out": {"surprise": self.surprise, "within_95_percent": self.within},
        }


def fit_collector(samples: Samples, recorded: Recorded, order: tuple[int, ...]) -> FittedCollector:
    """Estimate the collector whose rows are pulsed in ``order``. Raises TooThinError."""
    bins, rows = bins_of(samples, recorded, order), len(order)
    pulses = sum(len(each) for each in bins.pulses)
    if pulses < LEAST_PULSES:
        raise TooThinError(
            f"{pulses} pulses with readings around them are too few: {LEAST_PULSES} are needed. "
            "Record for longer"
        )
    by_hour, by_hour_error = _pattern(bins)
    cut = int(len(bins.dp_pa) * _LEARNT)
    learnt = estimate(_part(bins, max(0, cut - MOST_BINS), cut), rows, by_hour)
    surprise, within = _held_out(bins, cut, rows, learnt)
    if surprise > _MOST_SURPRISE:
        raise TooThinError(
            f"what the first two thirds of the trace say does not hold in the last: errors are "
            f"{surprise**0.5:.1f} times what they should be. Something has changed meanwhile (new "
            "filters, another dust, a fault): fit on a part of the trace"
        )
    covariance = _widened(learnt.covariance, surprise)
    intervals = {name: _interval(learnt.theta, covariance, name) for name in NAMES}
    _insist(intervals)
    flow_m3s, fall = _flow(samples)
    return FittedCollector(
        rows=rows,
        load=intervals["load"],
        residual=intervals["residual"],
        removed=intervals["removed"],
        scatter=intervals["scatter"],
        gusts=intervals["gusts"].value,
        noise_pa=bins.noise_pa,
        by_hour=by_hour,
        by_hour_error=by_hour_error,
        running=_running(samples),
        flow_m3s=flow_m3s,
        flow_fall_per_pa=fall,
        mean_dp_pa=float(np.average(bins.dp_pa, weights=bins.n)),
        lowest_dp_pa=float(np.quantile(bins.dp_pa, 0.02)),
        pulses=pulses,
        surprise=surprise,
        within=within,
        theta=learnt.theta,
        covariance=covariance,
    )


def _part(bins: Bins, begin: int, end: int) -> Bins:
    return replace(
        bins,
        run_s=bins.run_s[begin:end],
        dp_pa=bins.dp_pa[begin:end],
        n=bins.n[begin:end],
        hour=bins.hour[begin:end],
        flow=bins.flow[begin:end],
        pulses=bins.pulses[begin:end],
        whole=bins.whole[begin:end],
    )


def _pattern(bins: Bins) -> tuple[Floats, Floats]:
    """Load of each hour over the mean, by how fast dP rises between pulses, and its standard
    error. Drawn in towards 1 as far as it is not certain; 1 where nothing is known."""
    rise, ran_s = rises(bins, bins.run_s)
    quiet = np.array([not each for each in bins.pulses[1:]]) & bins.whole[1:]
    hour = bins.hour[1:][quiet & (np.diff(bins.run_s) > 0.0)]
    overall = rise.sum() / ran_s.sum() if len(rise) else 0.0
    pattern, error = np.ones(24), np.full(24, np.inf)
    if overall <= 0.0:
        return pattern, error
    for each in range(24):
        here = hour == each
        if here.sum() < 5:
            continue
        ratio = rise[here].sum() / ran_s[here].sum() / overall
        left = rise[here] / overall - ratio * ran_s[here]
        variance = (left**2).sum() / ran_s[here].sum() ** 2
        error[each] = np.sqrt(variance)
        certain = max(0.0, 1.0 - variance / max((ratio - 1.0) ** 2, 1e-12))
        pattern[each] = max(1.0 + certain * (ratio - 1.0), 0.02)
    ran = np.bincount(bins.hour[1:], np.diff(bins.run_s), minlength=24)
    mean = (pattern * ran).sum() / ran.sum()
    return pattern / mean, error


def _held_out(bins: Bins, cut: int, rows: int, learnt: Estimate) -> tuple[float, float]:
    """Mean square of the standardised errors from ``cut`` on, and the share of them within the
    95 % limits. The filter comes from before it, so that it knows how the cake lies."""
    begin = max(0, cut - 20 * rows)
    part = _part(bins, begin, len(bins.dp_pa))
    clock_s = load_clock(part, learnt.by_hour)
    result = passed(part, clock_s, rows, learnt.theta[None, :])
    error_pa, variance = result.error_pa[cut - begin :, 0], result.variance_pa2[cut - begin :, 0]
    squares = error_pa**2 / variance
    return float(squares.mean()), float((squares < 1.96**2).mean())


def _widened(covariance: Floats, surprise: float) -> Floats:
    """Not narrower than errors in the held-out part allow, nor than the model is exact."""
    wide = covariance * max(1.0, surprise)
    floor = np.full(len(wide), _NARROWEST) - np.sqrt(np.diag(wide))
    widened: Floats = wide + np.diag(np.where(floor > 0.0, _NARROWEST**2 - np.diag(wide), 0.0))
    return widened


def _interval(theta: Floats, covariance: Floats, name: str) -> Interval:
    place = NAMES.index(name)
    reach = np.zeros((3, len(NAMES)))
    reach[:, place] = np.array([0.0, -1.96, 1.96]) * np.sqrt(covariance[place, place])
    value, low, high = natural(theta + reach)[:, place].tolist()
    return Interval(value, low, high)


def _insist(intervals: dict[str, Interval]) -> None:
    """Raises TooThinError where a parameter that everything rests on is left open."""
    for name, most in _OPEN.items():
        each = intervals[name]
        if (each.high - each.low) / 2.0 > most * each.value:
            raise TooThinError(
                f"the trace leaves {name} open: anything from {each.low:.3g} to {each.high:.3g} "
                "fits it. Record cleanings from different dP down to different dP (move the set "
                "points for some days), and for longer: at one steady state no trace can tell "
                "residual dP from the share a pulse removes"
            )


def _running(samples: Samples) -> Floats:
    """Share of each hour of the day that the blower ran."""
    step_s = np.minimum(np.diff(samples.t_s, prepend=samples.t_s[0]), 60.0)
    begun_s = samples.start_utc_s or 0.0
    hour = ((begun_s + samples.t_s) % 86_400.0 // 3600.0).astype(int)
    covered = np.bincount(hour, step_s, minlength=24)
    ran = np.bincount(hour, step_s * samples.running, minlength=24)
    overall = ran.sum() / covered.sum()
    return np.where(covered > 60.0, ran / np.maximum(covered, 1.0), overall)


def _flow(samples: Samples) -> tuple[float | None, float]:
    """Mean flow, and by what part of it flow falls with each Pa (least squares)."""
    if samples.flow_m3s is None:
        return None, 0.0
    good = samples.running & ~np.isnan(samples.flow_m3s) & ~np.isnan(samples.dp_pa)
    flow, dp = samples.flow_m3s[good], samples.dp_pa[good]
    if len(flow) < 100 or float(dp.std()) == 0.0:
        return None, 0.0
    slope = float(np.polynomial.polynomial.polyfit(dp, flow, 1)[1])
    return float(flow.mean()), max(0.0, -slope / float(flow.mean()))
