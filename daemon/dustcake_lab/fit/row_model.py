"""Rows of filters in closed form: how cake grows on them, and when they come to a dP.

The model of ``kalman``, for one set of parameters and fast: pressures s_i, Pa, whose squares
grow alike while their mean grows by the load.
"""

from math import inf, sqrt

from dustcake.core.record import record


@record
class RowModel:
    """``load_pa_per_s``, ``residual_pa`` at mean flow; ``removed``, ``scatter``: share of its cake
    that a pulse takes off a row; ``flow_fall_per_pa``: by what part flow falls with each Pa above
    ``mean_dp_pa``."""

    rows: int
    load_pa_per_s: float
    residual_pa: float
    removed: float
    scatter: float
    flow_fall_per_pa: float = 0.0
    mean_dp_pa: float = 0.0


def harmonic(s: list[float]) -> float:
    """The pressure of all rows together at mean flow, Pa."""
    return len(s) / sum([1.0 / each for each in s])


def flow(model: RowModel, h: float) -> float:
    """Flow over mean flow where the rows together stand at ``h``: fan and filters agree on it."""
    fall = model.flow_fall_per_pa
    return (1.0 + fall * model.mean_dp_pa) / (1.0 + fall * h) if fall else 1.0


def dp_pa(model: RowModel, s: list[float]) -> float:
    """What a transmitter reads, Pa."""
    h = harmonic(s)
    return flow(model, h) * h


def loaded(s: list[float], added_pa: float) -> list[float]:
    """Rows after the mean of s has grown by ``added_pa``."""
    if added_pa <= 0.0:
        return s
    rows, target = len(s), sum(s) / len(s) + added_pa
    squares = [each * each for each in s]
    grown = 2.0 * added_pa * harmonic(s)
    roots = s
    for _ in range(8):
        roots = [sqrt(square + grown) for square in squares]
        off = sum(roots) / rows - target
        if abs(off) < 1e-10 * target:
            break
        grown -= 2.0 * off * harmonic(roots)
    return roots


def needed_pa(model: RowModel, s: list[float], to_dp_pa: float) -> float:
    """By how much the mean of s has to grow until dP reads ``to_dp_pa``; infinite if it never
    does."""
    fall = model.flow_fall_per_pa
    # flow(h) h = to_dp_pa, solved for h
    above = 1.0 + fall * model.mean_dp_pa - fall * to_dp_pa
    if above <= 0.0:
        return inf
    target = to_dp_pa / above
    begin = harmonic(s)
    if begin >= target:
        return 0.0
    squares = [each * each for each in s]
    low, high = 0.0, target * target
    grown = target * target - begin * begin
    for _ in range(60):
        roots = [sqrt(square + grown) for square in squares]
        h = harmonic(roots)
        off = h - target
        if abs(off) < 1e-9 * target:
            break
        if off > 0.0:
            high = grown
        else:
            low = grown
        # d h / d grown = h^2 / (2 n) sum(1 / root^3)
        slope = h * h / (2.0 * len(s)) * sum([1.0 / (root * root * root) for root in roots])
        grown -= off / slope
        if not low < grown < high:
            grown = 0.5 * (low + high)
    return (sum([sqrt(square + grown) for square in squares]) - sum(s)) / len(s)


def pulsed(model: RowModel, s: list[float], row: int, removed: float) -> list[float]:
    """Rows after a pulse of ``row`` (from 0) that takes off this share of its cake."""
    after = list(s)
    after[row] = model.residual_pa + max(0.0, s[row] - model.residual_pa) * (1.0 - removed)
    return after
