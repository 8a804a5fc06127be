"""Straight fits of a few dozen points: weighted least squares, and Theil and Sen's robust slope."""

from collections.abc import Iterable, Sequence
from itertools import repeat
from operator import mul, sub

from dustcake.core.record import record

_SINGULAR = 1e-12


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


def median(values: Sequence[float]) -> float:
    """The middle one, or the mean of the middle two."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return (ordered[middle - 1] + ordered[middle]) / 2


def scatter(deviations: Sequence[float]) -> float:
    """Standard deviation by the median of the absolute values, which outliers do not move
    (1.4826 of it for a normal distribution)."""
    return 1.4826 * median([abs(d) for d in deviations])
