"""How residual dP has risen over a trace, and what that says of the filters' life.

The residual of each stretch of the trace is the likeliest one, all else as fitted; so it does not
matter from which dP down to which it was cleaned meanwhile. What these residuals say of the future
comes from the daemon's own estimator (``core.filter_life.forecast``), for each of two beliefs that
a trace cannot distinguish while it is pulsed at one rate: that filters age with running hours (dust
beds itself in), or with pulses (media wear).
"""

from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.stats import t as students_t

from dustcake.core.filter_life.forecast import FEWEST_POINTS, Forecast, Point, forecast
from dustcake_lab.fit.bins import Bins
from dustcake_lab.fit.estimate import NAMES, Estimate, Interval, scored
from dustcake_lab.traces.samples import Floats

LEAST_H = 300.0
"""Running hours below which nothing is said: weather and work repeat by the week, and a trend over
less than some weeks is theirs as soon as the filters'. Judgement."""
_STRETCHES = 40
_MOST_BINS = 150
"""Of a stretch, from its middle: more cost time and hardly sharpen a trend."""
_LOOSE = 1.0
"""A belief, in logarithms, that keeps a stretch which says nothing from running away."""
_UNSAID = 0.3
"""Relative standard error of a residual that is not worth keeping."""
_LEAST_WORN = 0.2
_HOUR_S = 3600.0
_THOUSAND_H = 1000.0


@dataclass(slots=True)
class Ageing:
    """``hours`` of running and ``pulses`` fired up to the middle of each stretch, and its
    ``residual_pa``; ``now_h``, ``now_pulses``: at the end of the trace. ``now_pa``: residual there
    by the straight line through all of them; ``rise``: of that line, Pa in 1000 hours."""

    hours: Floats
    pulses: Floats
    residual_pa: Floats
    now_h: float
    now_pulses: float
    now_pa: float
    rise: Interval

    @property
    def pulses_per_h(self) -> float:
        """Mean rate of pulsing of the trace, all rows together."""
        return self.now_pulses / self.now_h

    @property
    def rise_error_pa_per_h(self) -> float:
        """Standard error of the rise: by it the residual at the end is less sure than where it was
        learnt."""
        return (self.rise.high - self.rise.low) / (2.0 * 1.96 * _THOUSAND_H)

    @property
    def proved(self) -> bool:
        """Whether the trace shows a rise at all, and not scatter alone."""
        return self.rise.low > 0.0

    def residual_ratio(self, run_s: Floats) -> Floats:
        """Residual at each running time over that at the end; 1 where no trend is proved."""
        if self.rise.low <= 0.0 <= self.rise.high:
            return np.ones(len(run_s))
        slope = self.rise.value / _THOUSAND_H / self.now_pa
        return np.maximum(_LEAST_WORN, 1.0 + slope * (run_s / _HOUR_S - self.now_h))

    def remaining(self, limit_pa: float) -> tuple[Forecast, Forecast]:
        """What remains until residual dP is at ``limit_pa``, by hours, and by pulses: counted in
        hours at the rate of pulsing of the trace."""
        by_hours, by_pulses = (
            forecast(list(map(Point, ages_h, self.residual_pa.tolist())), self.now_h, limit_pa)
            for ages_h in (self.hours.tolist(), (self.pulses / self.pulses_per_h).tolist())
        )
        return by_hours, by_pulses

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        return {
            "rise_pa_per_1000_h": asdict(self.rise),
            "residual_pa": self.now_pa,
            "running_h": self.now_h,
            "pulses_per_1000_h": self.pulses_per_h * _THOUSAND_H,
            "points": len(self.hours),
        }


def estimate_ageing(bins: Bins, learnt: Estimate) -> Ageing | str:
    """How the residual went over all of a trace, all else as ``learnt``; or why that cannot be
    said."""
    run_h = bins.run_s / _HOUR_S
    now_h = float(run_h[-1])
    if now_h < LEAST_H:
        return (
            f"the trace covers {now_h:.0f} hours of running; {LEAST_H:.0f} at least are needed to "
            "distinguish ageing from weather and work"
        )
    bins = replace(bins, residual_ratio=np.ones(len(run_h)))
    fired = np.cumsum([len(each) for each in bins.pulses])
    edges = np.searchsorted(run_h, np.linspace(0.0, now_h, _STRETCHES + 1))
    edges[-1] = len(run_h)
    found: list[tuple[float, float, float, float]] = []
    for from_bin, to_bin in pairwise(edges.tolist()):
        spare = max(0, to_bin - from_bin - _MOST_BINS) // 2
        begin, end = from_bin + spare, to_bin - spare
        if end <= begin or fired[end - 1] - fired[begin] < 2 * bins.rows:
            continue
        residual_pa, error_pa = _residual(bins.part(begin, end), learnt)
        if error_pa < _UNSAID * residual_pa:
            middle = (begin + end) // 2
            found.append((float(run_h[middle]), float(fired[middle]), residual_pa, error_pa))
    if len(found) < FEWEST_POINTS:
        return (
            f"only {len(found)} of {_STRETCHES} parts of the trace have pulses enough to "
            f"estimate residual dP; {FEWEST_POINTS} at least are needed"
        )
    hours, pulses, residuals_pa, errors_pa = (np.array(each) for each in zip(*found, strict=True))
    now_pa, rise = _line(hours, residuals_pa, errors_pa, now_h, _error_of_removed(learnt))
    return Ageing(hours, pulses, residuals_pa, now_h, float(fired[-1]), now_pa, rise)


def _residual(bins: Bins, learnt: Estimate) -> tuple[float, float]:
    """The likeliest residual of a stretch and its standard error, Pa."""
    place, weight = NAMES.index("residual"), np.full(len(NAMES), _LOOSE**-2)
    theta, here, _ = scored(bins, learnt.theta, learnt.theta, weight, (place,))
    residual_pa = float(np.exp(theta[place]))
    return residual_pa, residual_pa * float(here.curvature[0, 0] + _LOOSE**-2) ** -0.5


def _error_of_removed(learnt: Estimate) -> float:
    """Relative standard error of the share removed, which every rise is scaled with: what a pulse
    leaves rises by that share of what the residual rises by."""
    place = NAMES.index("removed")
    kept = 1.0 / (1.0 + np.exp(learnt.theta[place]))
    return float(kept * np.sqrt(learnt.covariance[place, place]))


def _line(
    hours: Floats, values_pa: Floats, errors_pa: Floats, now_h: float, scale_error: float
) -> tuple[float, Interval]:
    """Value at ``now_h`` and rise in 1000 h of the straight line, with its 95 % interval. Its error
    comes from how the values scatter about it, neighbours that scatter alike counted as fewer."""
    ago_h = hours - now_h
    line, expected = np.polyfit(ago_h, values_pa, 1, w=1.0 / errors_pa, cov="unscaled")
    left = (values_pa - np.polyval(line, ago_h)) / errors_pa
    alike = float(np.clip((left[1:] * left[:-1]).sum() / (left**2).sum(), 0.0, 0.9))
    free, slope = len(hours) - 2, float(line[0])
    mean_square = max(1.0, float((left**2).sum()) / free) * (1.0 + alike) / (1.0 - alike)
    error = float(np.hypot(np.sqrt(mean_square * expected[0, 0]), slope * scale_error))
    reach = float(students_t.ppf(0.975, free)) * error
    rise = Interval(*(_THOUSAND_H * each for each in (slope, slope - reach, slope + reach)))
    return float(line[1]), rise
