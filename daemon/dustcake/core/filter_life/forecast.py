"""Filter life as a range: between how many more blower hours residual dP will reach its limit.

Never a date. The range mixes every curve of ``curves`` by its share, the uncertainty of each
fit, the wandering beside it, and that the future rises faster or slower than the past. Its
confidence is checked on simulated lives that share no code with it.
"""

from bisect import bisect_left
from collections.abc import Hashable, Iterator, Sequence
from enum import StrEnum
from itertools import pairwise
from math import sqrt
from statistics import NormalDist, median

from dustcake.core.filter_life.curves import Fits, fit_all, scatter, theil_sen
from dustcake.core.record import record, replace

CONFIDENCE = 0.8
FEWEST_POINTS = 12
HORIZON = 10.0  # ages: nothing is said of what lies farther ahead
_PARTS = 2**17  # of the horizon: each less than a ten-thousandth of the age
_LEFT_OUT = 0.05  # of the age: new filters season, and that rise says nothing of their end

# How much faster the rest may rise than the curve goes on, and the belief in it: judgement. Dust,
# humidity and use change, and what blinds a filter has often not begun in the first half of a life.
_PACES = ((0.85, 0.2), (1.0, 0.4), (1.25, 0.25), (1.6, 0.15))
_PACE_SPREAD = 0.15

# A step that nothing on record explains (a damper that somebody moved): so sudden, and so large
# beside the scatter, that no trend and no outlier makes it.
_STEP_POINTS = 5
_STEP_SCATTERS = 7.0
_STEP_LEVEL = 0.02
_MOST_STEPS = 2


class Outlook(StrEnum):
    """What can be said of the filters' life."""

    NOT_ENOUGH_DATA = "not_enough_data"
    BEYOND_HORIZON = "beyond_horizon"  # the residual does not rise, or too slowly to say more
    RANGE = "range"
    REACHED = "reached"  # the residual is at the limit


@record
class Point:
    """Residual dP at an age in blower hours since the filter change: the median of ``count``
    readings. Points of unequal ``level`` were taken under other conditions: their shift against
    each other says nothing of the filters."""

    hours: float
    pa: float
    count: int = 1
    level: int = 0


@record
class Forecast:
    """What residual dP says at ``hours`` since the filter change.

    ``low_h``, ``high_h``: blower hours that remain, between which the limit is reached with
    ``confidence``; ``low_h`` is given where the outlook is a range, ``high_h`` None then means
    beyond the horizon of ``horizon_h``. ``residual_pa``: now. ``rise_pa_per_h``: robust mean
    over the present level. Both None where there is not enough data.
    """

    outlook: Outlook
    hours: float
    points: int
    horizon_h: float
    low_h: float | None = None
    high_h: float | None = None
    confidence: float = CONFIDENCE
    residual_pa: float | None = None
    rise_pa_per_h: float | None = None


def forecast(
    points: Sequence[Point], now_h: float, limit_pa: float, confidence: float = CONFIDENCE
) -> Forecast:
    """The outlook at the age ``now_h`` (blower hours), from points in the order of their ages."""
    used = [point for point in points if point.hours >= _LEFT_OUT * now_h]
    levels = _levels(used)
    present = [point for point, level in zip(used, levels, strict=True) if level == levels[-1]]
    if now_h <= 0.0 or not _are_enough(used, present):
        return Forecast(Outlook.NOT_ENOUGH_DATA, now_h, len(used), HORIZON * now_h)
    hours, pressures = [point.hours for point in present], [point.pa for point in present]
    residual_pa = median(pressures[-3:])
    outlook = Forecast(
        Outlook.BEYOND_HORIZON,
        now_h,
        len(used),
        HORIZON * now_h,
        confidence=confidence,
        residual_pa=residual_pa,
        rise_pa_per_h=theil_sen(hours, pressures)[0],
    )
    if residual_pa >= limit_pa:
        return replace(outlook, outlook=Outlook.REACHED, low_h=0.0, high_h=0.0)
    ages, values = [point.hours / now_h for point in used], [point.pa for point in used]
    fits = fit_all(ages, values, levels, _weights(ages, values, levels))
    low, high = _range(fits, limit_pa, confidence)
    if low is None:
        return outlook
    high_h = None if high is None else (high - 1.0) * now_h
    return replace(outlook, outlook=Outlook.RANGE, low_h=(low - 1.0) * now_h, high_h=high_h)


def _are_enough(used: Sequence[Point], present: Sequence[Point]) -> bool:
    """Points, of all levels and of the present one."""
    ages = {point.hours for point in present}
    return len(used) >= FEWEST_POINTS and len(ages) >= FEWEST_POINTS // 3


def at_flow(dp_pa: float, flow_m3_s: float, reference_m3_s: float) -> float:
    """dP as it would be at the reference flow. Linear, since flow through media and cake is
    laminar (Darcy); the square would be right for ducts, and wrong here."""
    return dp_pa * reference_m3_s / flow_m3_s


def _levels(points: Sequence[Point]) -> list[tuple[int, int]]:
    """The level of each point, with steps that nothing on record explains as levels of their
    own."""
    steps = _steps(points)
    return [(p.level, sum(step <= i for step in steps)) for i, p in enumerate(points)]


def _steps(points: Sequence[Point]) -> list[int]:
    """The points at which the level jumps, the largest first."""
    chosen: list[int] = []
    for _, i in sorted(_jumps(points), reverse=True):
        if len(chosen) < _MOST_STEPS and all(abs(i - other) > _STEP_POINTS for other in chosen):
            chosen.append(i)
    return chosen


def _jumps(points: Sequence[Point]) -> Iterator[tuple[float, int]]:
    """How large and where, also those that are parts of one."""
    values, w, count = [point.pa for point in points], _STEP_POINTS, len(points)
    if count < 2 * w:
        return
    moves = [b - a for a, b in pairwise(values)]
    drift = median(moves)
    noise = scatter([move - drift for move in moves]) / sqrt(2.0)
    for i in range(w, count - w + 1):
        before, after = values[i - w : i], values[i : i + w]
        jump = median(after) - median(before) - w * drift
        is_sudden = abs(moves[i - 1] - drift) > 0.6 * abs(jump)
        is_large = abs(jump) > _STEP_SCATTERS * noise + _STEP_LEVEL * abs(values[i])
        is_clear = min(after) > max(before) or max(after) < min(before)
        levels = {point.level for point in points[i - w : i + w]}
        if is_large and is_sudden and is_clear and len(levels) == 1:
            yield abs(jump), i


def _weights(
    ages: Sequence[float], values: Sequence[float], levels: Sequence[Hashable]
) -> list[float]:
    """Recent points count more (the square of their age), what stands far out from its neighbours
    less."""
    apart = []
    for i, value in enumerate(values):
        near = range(max(0, i - 2), min(len(values), i + 3))
        beside = [values[j] for j in near if j != i and levels[j] == levels[i]]
        apart.append(value - median(beside) if beside else 0.0)
    width = 4.0 * scatter(apart) + 1e-9
    return [
        age * age * (1.0 if abs(d) <= width else (width / d) ** 4)
        for age, d in zip(ages, apart, strict=True)
    ]


def _range(fits: Fits, limit_pa: float, confidence: float) -> tuple[float | None, float | None]:
    """Ages (in ages now) at which the limit is reached with the lower and the upper probability;
    None beyond the horizon. Given that it has not been reached yet."""
    now = _reached(fits, limit_pa, 1.0)
    low, high = (now + p * (1.0 - now) for p in ((1.0 - confidence) / 2, (1.0 + confidence) / 2))
    return _age_of(fits, limit_pa, low), _age_of(fits, limit_pa, high)


def _reached(fits: Fits, limit_pa: float, u: float) -> float:
    """Probability that the limit is reached by ``u``."""
    total, wander_pa2 = 0.0, fits.wander_pa2 * (u - 1.0) + 1e-9
    for fit in fits.fitted:
        level_pa, gain_pa, variance = fit.at(u)
        gain_pa, variance = max(0.0, gain_pa), variance + wander_pa2
        for pace, belief in _PACES:
            spread_pa = sqrt(variance + (_PACE_SPREAD * pace * gain_pa) ** 2)
            at_pace_pa = level_pa + (pace - 1.0) * gain_pa
            total += fit.share * belief * NormalDist(limit_pa, spread_pa).cdf(at_pace_pa)
    return total


def _age_of(fits: Fits, limit_pa: float, probability: float) -> float | None:
    def reached(part: int) -> float:
        return _reached(fits, limit_pa, 1.0 + HORIZON * part / _PARTS)

    part = bisect_left(range(_PARTS + 1), probability, key=reached)
    return None if part > _PARTS else 1.0 + HORIZON * part / _PARTS
