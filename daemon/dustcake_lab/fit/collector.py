"""A collector estimated from a trace: what loads it, what a pulse takes off, and how surely.

Refuses where the trace cannot say, and says what is missing. The last third of the trace takes no
part in the estimate, but for how far the filters have aged; it has to be predicted by it.
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from dustcake_lab.fit.ageing import Ageing, estimate_ageing
from dustcake_lab.fit.bins import Bins, bins_of, load_by_hour, require_pulses, running_by_hour
from dustcake_lab.fit.data import Samples, TooThinError
from dustcake_lab.fit.estimate import NAMES, Estimate, Interval, estimate, innovations, natural
from dustcake_lab.traces.columns import Recorded
from dustcake_lab.traces.samples import Floats

MOST_BINS = 2500
"""More make an estimate no better than the model is."""
_LEARNT = 2 / 3
_NARROWEST = 2e-3
"""Relative standard error below which none is believed: the filter is linearised."""
_MOST_HALF_WIDTH = {"residual": 0.5, "removed": 0.4, "load": 0.3}
"""Of a 95 % interval, over the value: beyond it a trace leaves the value open."""
_IN_WORDS = {
    "residual": ("residual dP, which no pulse takes off", "Pa", 1.0),
    "removed": ("the share of its cake that a pulse takes off a row", "%", 100.0),
    "load": ("how fast dP rises between pulses", "Pa an hour", 3600.0),
}
"""What it is, its unit, and times what it is in that."""
_MOST_SURPRISE = 4.0


@dataclass(slots=True)
class FittedCollector:
    """``load`` Pa a second of running at mean flow (K2 c V^2); ``residual`` Pa, at the end of the
    trace; ``removed``: share
    of a row's cake that a pulse takes off, ``scatter`` its standard deviation; ``gusts``: of an
    hour's load over the load. ``by_hour``: load of each hour of the day over the mean one;
    ``running``: share of each hour that the blower ran, 24 for each day recorded; ``clock``: whose
    hours those are. ``flow_m3s``: mean flow, None if not recorded; ``flow_fall_per_pa``: by what
    part of itself flow falls with each Pa of dP. ``lowest_dp_pa``: below it the trace shows nothing
    of how pulses work.
    ``surprise``: mean square of the errors in the held-out part over what was predicted for it; 1
    is right. ``within``: share of them within their 95 % limits. ``ageing``: how the residual
    rose, or why that cannot be said. ``notes``: what was not taken from the trace, in words."""

    rows: int
    load: Interval
    residual: Interval
    removed: Interval
    scatter: Interval
    gusts: float
    noise_pa: float
    by_hour: Floats
    running: Floats
    clock: str
    flow_m3s: float | None
    flow_fall_per_pa: float
    mean_dp_pa: float
    lowest_dp_pa: float
    pulses: int
    surprise: float
    within: float
    theta: Floats
    covariance: Floats
    ageing: Ageing | str
    notes: tuple[str, ...] = ()

    def draws(self, count: int, seed: int) -> Floats:
        """Sets of parameters the trace does not rule out, one a line, as ``estimate.NAMES``;
        the first is the likeliest one."""
        rng = np.random.default_rng(seed)
        drawn = rng.multivariate_normal(self.theta, self.covariance, size=count)
        drawn[0] = self.theta
        return natural(drawn)

    @property
    def running_mean(self) -> Floats:
        """Share of each hour of the day that the blower ran, over all days."""
        mean: Floats = self.running.reshape(-1, 24).mean(axis=0)
        return mean

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        ageing = self.ageing
        return {
            "load_pa_per_s": asdict(self.load),
            "residual_pa": asdict(self.residual),
            "removed_per_pulse": asdict(self.removed),
            "scatter_of_removed": asdict(self.scatter),
            "ageing": {"not_told": ageing} if isinstance(ageing, str) else ageing.as_json(),
            "noise_pa": self.noise_pa,
            "hours_of": self.clock,
            "load_by_hour": self.by_hour.tolist(),
            "running_by_hour": self.running_mean.tolist(),
            "flow_m3s": self.flow_m3s,
            "lowest_dp_pa": self.lowest_dp_pa,
            "pulses": self.pulses,
            "notes": list(self.notes),
            "held_out": {"surprise": self.surprise, "within_95_percent": self.within},
        }


def fit_collector(samples: Samples, recorded: Recorded, order: tuple[int, ...]) -> FittedCollector:
    """Estimate the collector whose rows are pulsed in ``order``. Raises TooThinError."""
    bins = bins_of(samples, recorded, order)
    pulses = sum(len(each) for each in bins.pulses)
    require_pulses(pulses, samples)
    bins.by_hour = load_by_hour(bins)
    cut = int(len(bins.dp_pa) * _LEARNT)
    learnt, ageing = _learnt(bins, cut)
    surprise, within = _held_out(bins, cut, learnt)
    if surprise > _MOST_SURPRISE:
        raise TooThinError(
            f"what the first two thirds of the trace say does not hold in the last: errors are "
            f"{surprise**0.5:.1f} times what they should be. Something has changed meanwhile (new "
            "filters, another dust, a fault): fit on a part of the trace"
        )
    covariance = _widened(learnt.covariance, surprise)
    if isinstance(ageing, Ageing):
        # the residual is that at the middle of what was learnt from
        middle_h = float(bins.run_s[max(0, cut - MOST_BINS) : cut].mean()) / 3600.0
        place, ago_h = NAMES.index("residual"), ageing.now_h - middle_h
        covariance[place, place] += (ageing.rise_error_pa_per_h * ago_h / ageing.now_pa) ** 2
    intervals = {name: _interval(learnt.theta, covariance, name) for name in NAMES}
    _require_known(intervals)
    flow_m3s, fall = _flow(samples)
    return FittedCollector(
        rows=bins.rows,
        load=intervals["load"],
        residual=intervals["residual"],
        removed=intervals["removed"],
        scatter=intervals["scatter"],
        gusts=intervals["gusts"].value,
        noise_pa=bins.noise_pa,
        by_hour=bins.by_hour,
        running=running_by_hour(samples),
        clock=samples.clock.name,
        flow_m3s=flow_m3s,
        flow_fall_per_pa=fall,
        mean_dp_pa=float(np.average(bins.dp_pa, weights=bins.n)),
        lowest_dp_pa=float(np.quantile(bins.dp_pa, 0.02)),
        pulses=pulses,
        surprise=surprise,
        within=within,
        theta=learnt.theta,
        covariance=covariance,
        ageing=ageing,
        notes=samples.notes,
    )


def _learnt(bins: Bins, cut: int) -> tuple[Estimate, Ageing | str]:
    """What the bins up to ``cut`` say; and how the residual rose over all of them, which is put
    into the bins, so that filters that age are not taken for pulses that scatter."""
    begin = max(0, cut - MOST_BINS)
    learnt = estimate(bins.part(begin, cut))
    ageing = estimate_ageing(bins, learnt)
    if isinstance(ageing, str):
        return learnt, ageing
    ratio = ageing.residual_ratio(bins.run_s)
    if ratio.min() == ratio.max():
        return learnt, ageing
    bins.residual_ratio = ratio
    learnt = estimate(bins.part(begin, cut), learnt.theta)
    return learnt, estimate_ageing(bins, learnt)


def _held_out(bins: Bins, cut: int, learnt: Estimate) -> tuple[float, float]:
    """Mean square of the standardised errors from ``cut`` on, and the share of them within the
    95 % limits. The filter comes from before it, so that it knows how the cake lies."""
    begin = max(0, cut - 20 * bins.rows)
    result = innovations(bins.part(begin, len(bins.dp_pa)), learnt.theta[None, :])
    error_pa, variance = result.error_pa[cut - begin :, 0], result.variance_pa2[cut - begin :, 0]
    squares = error_pa**2 / variance
    return float(squares.mean()), float((squares < 1.96**2).mean())


def _widened(covariance: Floats, surprise: float) -> Floats:
    """A covariance not narrower than errors in the held-out part allow, nor than the model is."""
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


def _require_known(intervals: dict[str, Interval]) -> None:
    """Raises TooThinError where the trace leaves a parameter open that everything rests on."""
    for name, most in _MOST_HALF_WIDTH.items():
        each, (what, unit, times) = intervals[name], _IN_WORDS[name]
        if (each.high - each.low) / 2.0 > most * each.value:
            raise TooThinError(
                f"the trace does not determine {what}: anything from {each.low * times:.3g} to "
                f"{each.high * times:.3g} {unit} explains it. Record cleanings from different dP "
                "down to different dP (move the set points for some days), and for longer: at one "
                "steady state no trace can separate residual dP from the share a pulse removes"
            )


def _flow(samples: Samples) -> tuple[float | None, float]:
    """Mean flow, and by what part of it flow falls with each Pa (least squares)."""
    if samples.flow_m3s is None:
        return None, 0.0
    good = samples.good & ~np.isnan(samples.flow_m3s)
    flow, dp = samples.flow_m3s[good], samples.dp_pa[good]
    if len(flow) < 100 or float(dp.std()) == 0.0:
        return None, 0.0
    slope = float(np.polynomial.polynomial.polyfit(dp, flow, 1)[1])
    return float(flow.mean()), max(0.0, -slope / float(flow.mean()))
