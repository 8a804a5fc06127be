"""Straight fits of a few dozen points: weighted least squares, and Theil and Sen's robust slope."""

from collections.abc import Sequence

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
    rows: Sequence[Sequence[float]], values: Sequence[float], weights: Sequence[float]
) -> LeastSquares | None:
    """The weighted fit of ``values`` by the columns of ``rows``; None where they do not settle
    it."""
    size = range(len(rows[0]))
    weighted = [[w * x for x in row] for row, w in zip(rows, weights, strict=True)]
    matrix = [
        [sum(a[i] * b[j] for a, b in zip(weighted, rows, strict=True)) for j in size] for i in size
    ]
    right = [sum(a[i] * y for a, y in zip(weighted, values, strict=True)) for i in size]
    inverse = _inverse(matrix)
    if inverse is None:
        return None
    coefficients = tuple(sum(inverse[i][j] * right[j] for j in size) for i in size)
    residuals = tuple(
        y - sum(c * x for c, x in zip(coefficients, row, strict=True))
        for row, y in zip(rows, values, strict=True)
    )
    squares = sum(w * e * e for w, e in zip(weights, residuals, strict=True))
    return LeastSquares(coefficients, inverse, residuals, squares / sum(weights))


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
