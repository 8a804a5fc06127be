"""Curves a rising residual dP may follow, what fitting each of them to the past says, and the
straight fits of a few dozen points that this rests on.

Which law holds cannot be known from the first half of a life: clogging curves accelerate, so that a
straight line promises too much and an exponential too little (computed from open clogging series).
All of them are therefore kept, each weighted by how well it fits.
"""

from collections.abc import Callable, Hashable, Sequence
from itertools import combinations, pairwise
from math import exp, expm1, log
from statistics import fmean, median

from dustcake.core.record import record

Curve = Callable[[float], float]

# The past decides between curves as if no more than so many of its points were independent: the
# future is another regime than the past as often as not, and the curves are only a handful.
_MOST_EVIDENCE = 9.0
_LARGEST_EXPONENT = 300.0
_FLOOR = 1e-8  # of the square of the level: no fit is better than a transmitter


def _exponential(k: float) -> Curve:
    until_now = expm1(k)
    return lambda u: expm1(min(k * u, _LARGEST_EXPONENT)) / until_now


def _power(p: float) -> Curve:
    return lambda u: u**p


# Time in units of the age now; each curve rises by 1 from 0 to now. With the belief in each before
# anything is read: judgement, most of it on curves that accelerate.
CURVES: tuple[tuple[Curve, float], ...] = (
    (_exponential(-2.0), 0.03),
    (_exponential(-1.0), 0.04),
    (_power(1.0), 0.19),
    (_exponential(0.5), 0.12),
    (_exponential(1.0), 0.12),
    (_exponential(1.5), 0.10),
    (_exponential(2.0), 0.08),
    (_exponential(3.0), 0.05),
    (_exponential(4.0), 0.03),
    (_power(1.5), 0.10),
    (_power(2.0), 0.08),
    (_power(3.0), 0.04),
    (_power(4.0), 0.02),
)


@record
class Line:
    """A weighted straight fit. ``slope``, through the means ``x`` and ``y`` of the last point's
    level; ``of_slope`` and ``of_y``: their variances, as multiples of that of one point of weight
    1. ``residuals`` of each point, ``mean_square`` of them by weight."""

    slope: float
    x: float
    y: float
    of_slope: float
    of_y: float
    residuals: tuple[float, ...]
    mean_square: float


def fit_line(
    xs: Sequence[float],
    ys: Sequence[float],
    levels: Sequence[Hashable],
    weights: Sequence[float],
) -> Line | None:
    """The fit to points of which those of unequal level are a shift apart that it finds itself;
    None where they do not settle it. Every level's sum of weights is above 0."""
    means: dict[Hashable, tuple[float, float, float]] = {}
    for level in set(levels):
        members = [i for i, other in enumerate(levels) if other == level]
        of_level = [weights[i] for i in members]
        x, y = (fmean([values[i] for i in members], of_level) for values in (xs, ys))
        means[level] = x, y, sum(of_level)
    from_x = [x - means[level][0] for x, level in zip(xs, levels, strict=True)]
    from_y = [y - means[level][1] for y, level in zip(ys, levels, strict=True)]
    squares = _summed(weights, from_x, from_x)
    if squares <= 1e-12 * _summed(weights, xs, xs):
        return None
    slope = _summed(weights, from_x, from_y) / squares
    residuals = tuple(y - slope * x for x, y in zip(from_x, from_y, strict=True))
    mean_square = _summed(weights, residuals, residuals) / sum(weights)
    x, y, weight = means[levels[-1]]
    return Line(slope, x, y, 1.0 / squares, 1.0 / weight, residuals, mean_square)


def _summed(weights: Sequence[float], a: Sequence[float], b: Sequence[float]) -> float:
    return sum(w * p * q for w, p, q in zip(weights, a, b, strict=True))


@record
class CurveFit:
    """A curve with its share of the belief: residual dP is ``line`` over it; ``variance``: of one
    point of weight 1, Pa2."""

    curve: Curve
    share: float
    line: Line
    variance: float

    def at(self, u: float) -> tuple[float, float, float]:
        """Residual dP at ``u`` times the age now, Pa; by how much it will have risen until then,
        Pa; and the variance of both as far as the fit is to blame, Pa2."""
        line, g = self.line, self.curve(u)
        away = g - line.x
        variance = self.variance * (line.of_y + line.of_slope * away * away)
        return line.y + line.slope * away, line.slope * (g - 1.0), variance


@record
class Fits:
    """``fitted``: the curves that count. ``wander_pa2``: by how much the level has wandered beside
    the best of them in one age, as a variance."""

    fitted: tuple[CurveFit, ...]
    wander_pa2: float


def fit_all(
    ages: Sequence[float],
    values_pa: Sequence[float],
    levels: Sequence[Hashable],
    weights: Sequence[float],
) -> Fits:
    """Every curve, fitted. ``ages`` as parts of the age now, rising; ``levels`` as ``fit_line`` has
    them: the last point's is the one that counts. Needs more points of that level than one."""
    found = []
    for curve, belief in CURVES:
        line = fit_line([curve(u) for u in ages], values_pa, levels, weights)
        if line is not None:
            found.append((curve, belief, line))
    if not found:
        return Fits((), 0.0)
    best = min((line for _, _, line in found), key=lambda line: line.mean_square)
    count, parameters = len(ages), 1 + len(set(levels))
    repeats = _repeats(best.residuals)
    evidence = min(_MOST_EVIDENCE, count / repeats)
    floor = _FLOOR * values_pa[-1] ** 2 + 1e-9
    scores = [
        log(belief) - 0.5 * evidence * log(line.mean_square + floor) for _, belief, line in found
    ]
    shares = [exp(score - max(scores)) for score in scores]
    of_one = repeats * sum(weights) / max(1, count - parameters)
    fitted = (
        CurveFit(curve, share / sum(shares), line, (line.mean_square + floor) * of_one)
        for (curve, _, line), share in zip(found, shares, strict=True)
    )
    kept = tuple(each for each in fitted if each.share > 1e-4)
    return Fits(kept, _wander(best.residuals, levels))


def _repeats(residuals: Sequence[float]) -> float:
    """How many neighbouring points say as much as one, by the correlation of neighbours."""
    squares = sum(e * e for e in residuals)
    if squares <= 0.0:
        return 1.0
    products = sum(a * b for a, b in pairwise(residuals))
    correlation = min(0.9, max(0.0, products / squares))
    return (1.0 + correlation) / (1.0 - correlation)


def _wander(residuals: Sequence[float], levels: Sequence[Hashable]) -> float:
    """Variance by which distant residuals differ more than neighbours do, brought to one age. A
    fit bends after the wandering, which hides a part of it: half as much again."""
    points, far = list(zip(residuals, levels, strict=True)), max(3, len(residuals) // 4)
    excess = _difference(points, far) - _difference(points, 1)
    return 1.5 * max(0.0, excess) * len(points) / (far - 1)


def _difference(points: Sequence[tuple[float, Hashable]], apart: int) -> float:
    pairs = zip(points, points[apart:], strict=False)
    squares = [(b - a) ** 2 for (a, level), (b, other) in pairs if level == other]
    return fmean(squares) if squares else 0.0


def theil_sen(xs: Sequence[float], ys: Sequence[float]) -> tuple[float, float]:
    """Slope and intercept: the median of the slopes of all pairs, through the medians of both.

    ``xs`` must hold two different values at least.
    """
    pairs = combinations(zip(xs, ys, strict=True), 2)
    slope = median([(y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in pairs if x1 != x2])
    return slope, median(ys) - slope * median(xs)


def scatter(deviations: Sequence[float]) -> float:
    """Standard deviation by the median of the absolute values, which outliers do not move
    (1.4826 of it for a normal distribution)."""
    return 1.4826 * median([abs(d) for d in deviations])
