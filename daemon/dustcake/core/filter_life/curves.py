"""Curves a rising residual dP may follow, what fitting each of them to the past says, and the
straight fits of a few dozen points that this rests on.

Which law holds cannot be known from the first half of a life: clogging curves accelerate, so that a
straight line promises too much and an exponential too little (computed from open clogging series).
All of them are therefore kept, each weighted by how well it fits.
"""

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise, repeat
from math import exp, expm1, log
from operator import mul, sub
from statistics import median

from dustcake.core.record import record

_SINGULAR = 1e-12

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
class Fitted:
    """A curve with its share of the belief. Residual dP is ``base_pa + rise_pa * curve(u)``;
    ``variances``: of the base, of both together (covariance), of the rise, Pa2."""

    curve: Curve
    share: float
    base_pa: float
    rise_pa: float
    variances: tuple[float, float, float]

    def at(self, u: float) -> tuple[float, float, float]:
        """Residual dP at ``u`` times the age now, Pa; by how much it will have risen until then,
        Pa; and the variance of both as far as the fit is to blame, Pa2."""
        g = self.curve(u)
        base, both, rise = self.variances
        variance = max(0.0, base + 2.0 * both * g + rise * g * g)
        return self.base_pa + self.rise_pa * g, self.rise_pa * (g - 1.0), variance


@record
class Fits:
    """``fitted``: the curves that count. ``wander_pa2``: by how much the level has wandered beside
    the best of them in one age, as a variance."""

    fitted: tuple[Fitted, ...]
    wander_pa2: float


def fit_all(
    ages: Sequence[float],
    values_pa: Sequence[float],
    levels: Sequence[int],
    weights: Sequence[float],
) -> Fits:
    """Every curve, fitted. ``ages`` as parts of the age now, rising; ``levels``: points of unequal
    level are a shift apart that the fit finds itself, and the last point's level is the one that
    counts. Needs more points of that level than one."""
    here = levels[-1]
    others = sorted(set(levels) - {here})
    ones = [1.0] * len(ages)
    shifts = [[float(level == other) for level in levels] for other in others]
    found: list[tuple[Curve, float, LeastSquares]] = []
    for curve, belief in CURVES:
        fit = least_squares([ones, [curve(u) for u in ages], *shifts], values_pa, weights)
        if fit is not None:
            found.append((curve, belief, fit))
    if not found:
        return Fits((), 0.0)
    best = min((fit for _, _, fit in found), key=lambda fit: fit.mean_square)
    count, columns = len(ages), 2 + len(others)
    repeats = _repeats(best.residuals)
    evidence = min(_MOST_EVIDENCE, count / repeats)
    floor = _FLOOR * values_pa[-1] ** 2 + 1e-9
    scores = [
        log(belief) - 0.5 * evidence * log(fit.mean_square + floor) for _, belief, fit in found
    ]
    shares = [exp(score - max(scores)) for score in scores]
    of_one = repeats * sum(weights) / max(1, count - columns)
    fitted = []
    for (curve, _, fit), share in zip(found, shares, strict=True):
        variance = (fit.mean_square + floor) * of_one
        base_pa, rise_pa, *_ = fit.coefficients
        (base, both, *_), (_, rise, *_), *_ = fit.inverse
        variances = (base * variance, both * variance, rise * variance)
        fitted.append(Fitted(curve, share / sum(shares), base_pa, rise_pa, variances))
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


def _wander(residuals: Sequence[float], levels: Sequence[int]) -> float:
    """Variance by which distant residuals differ more than neighbours do, brought to one age. A
    fit bends after the wandering, which hides a part of it: half as much again."""
    count = len(residuals)
    far = max(3, count // 4)
    excess = _difference(residuals, levels, far) - _difference(residuals, levels, 1)
    return 1.5 * max(0.0, excess) * count / (far - 1)


def _difference(residuals: Sequence[float], levels: Sequence[int], apart: int) -> float:
    squares = [
        (residuals[i + apart] - residuals[i]) ** 2
        for i in range(len(residuals) - apart)
        if levels[i] == levels[i + apart]
    ]
    return sum(squares) / len(squares) if squares else 0.0


@record
class LeastSquares:
    """``coefficients`` of the columns; ``inverse`` of the normal equations, which times the
    variance of one point of weight 1 is their covariance; ``residuals`` of each point;
    ``mean_square`` of them by weight."""

    coefficients: tuple[float, ...]
    inverse: tuple[tuple[float, ...], ...]
    residuals: tuple[float, ...]
    mean_square: float


def least_squares(
    columns: Sequence[Sequence[float]], values: Sequence[float], weights: Sequence[float]
) -> LeastSquares | None:
    """The weighted fit of ``values`` by ``columns``, each with one number for each of them; None
    where they do not settle it."""
    weighted = [list(map(mul, weights, column)) for column in columns]
    inverse = _inverse([[_dot(a, b) for b in columns] for a in weighted])
    if inverse is None:
        return None
    right = [_dot(a, values) for a in weighted]
    coefficients = tuple(_dot(row, right) for row in inverse)
    residuals = list(values)
    for coefficient, column in zip(coefficients, columns, strict=True):
        residuals = list(map(sub, residuals, map(mul, repeat(coefficient), column)))
    squares = _dot(map(mul, weights, residuals), residuals)
    return LeastSquares(coefficients, inverse, tuple(residuals), squares / sum(weights))


def _dot(a: Iterable[float], b: Iterable[float]) -> float:
    total: float = sum(map(mul, a, b))
    return total


def _inverse(matrix: list[list[float]]) -> tuple[tuple[float, ...], ...] | None:
    """By elimination with pivots; None of a singular matrix."""
    size = len(matrix)
    largest = max(abs(x) for row in matrix for x in row)
    work = [[*row, *(float(i == j) for j in range(size))] for i, row in enumerate(matrix)]
    for i in range(size):
        pivot = max(range(i, size), key=lambda r: abs(work[r][i]))
        work[i], work[pivot] = work[pivot], work[i]
        by = work[i][i]
        if abs(by) <= _SINGULAR * largest:
            return None
        work[i] = [x / by for x in work[i]]
        for r in range(size):
            factor = work[r][i]
            if r != i and factor != 0.0:
                work[r] = [x - factor * y for x, y in zip(work[r], work[i], strict=True)]
    return tuple(tuple(row[size:]) for row in work)


def theil_sen(xs: Sequence[float], ys: Sequence[float]) -> tuple[float, float]:
    """Slope and intercept: the median of the slopes of all pairs, through the medians of both.

    ``xs`` must hold two different values at least.
    """
    slopes = [
        (ys[j] - ys[i]) / (xs[j] - xs[i])
        for i in range(len(xs))
        for j in range(i + 1, len(xs))
        if xs[j] != xs[i]
    ]
    slope = median(slopes)
    return slope, median(ys) - slope * median(xs)


def scatter(deviations: Sequence[float]) -> float:
    """Standard deviation by the median of the absolute values, which outliers do not move
    (1.4826 of it for a normal distribution)."""
    return 1.4826 * median([abs(d) for d in deviations])
