"""Lives of filters, by laws of their own: nothing here is shared with the estimator.

Each life is the residual dP read after cleanings, from new filters to the limit. The laws: steady,
exponential, a power of the time, blinding (slow, then a logistic rise), and humid weeks in which
dust sticks. To all of them come noise, outliers, the rise of new media, dusty and clean days,
weekends, and in some a step that is on record (a set point changed) or is not (a damper moved).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp
from random import Random

READINGS = 500


@dataclass(frozen=True)
class Life:
    """Blower hours and residual dP of each reading; ``end_h``: when its true course reaches
    ``limit_pa``; ``step_h``: when a step on record came, None where there was none."""

    hours: list[float]
    residuals_pa: list[float]
    limit_pa: float
    end_h: float
    step_h: float | None


def steady(rng: Random) -> Callable[[float], float]:
    return lambda v: v


def exponential(rng: Random) -> Callable[[float], float]:
    k = rng.uniform(0.8, 3.5)
    return lambda v: (exp(k * v) - 1.0) / (exp(k) - 1.0)


def power(rng: Random) -> Callable[[float], float]:
    p = rng.uniform(1.1, 3.0)
    return lambda v: float(v**p)


def blinding(rng: Random) -> Callable[[float], float]:
    slow, middle, width = rng.uniform(0.3, 0.7), rng.uniform(0.8, 1.1), rng.uniform(0.08, 0.2)

    def logistic(v: float) -> float:
        return 1.0 / (1.0 + exp(-(v - middle) / width))

    first, last = logistic(0.0), logistic(1.0)
    return lambda v: slow * v + (1.0 - slow) * (logistic(v) - first) / (last - first)


def humid(rng: Random) -> Callable[[float], float]:
    p = rng.uniform(1.0, 1.6)
    return lambda v: float(v**p)


LAWS = {law.__name__: law for law in (steady, exponential, power, blinding, humid)}


def pace(rng: Random, days: int, humid_weeks: int) -> list[float]:
    """How far ageing has come by the end of each day of use, from 0 to 1."""
    spread = rng.uniform(0.1, 0.6)
    dust = [exp(rng.gauss(0.0, spread)) for _ in range(days)]
    quiet_days = rng.choice([1.0, rng.uniform(0.1, 0.7)])
    dust = [each * (quiet_days if day % 7 > 4 else 1.0) for day, each in enumerate(dust)]
    for _ in range(humid_weeks):
        first, stickier = rng.randrange(days), rng.uniform(2.0, 4.0)
        for day in range(first, min(days, first + 7)):
            dust[day] *= stickier
    total, so_far, course = sum(dust), 0.0, [0.0]
    for each in dust:
        so_far += each
        course.append(so_far / total)
    return course


def a_life(law: str, seed: int) -> Life:
    """One life by this law."""
    rng = Random(f"{law} {seed}")
    end_h = exp(rng.uniform(6.2, 9.0))  # about 500 to 8000 blower hours
    new_pa = rng.uniform(200.0, 800.0)
    limit_pa = new_pa * rng.uniform(1.5, 4.0)
    shape = LAWS[law](rng)
    days = max(30, round(end_h / rng.uniform(8.0, 20.0)))
    course = pace(rng, days, rng.randint(2, 8) if law == "humid" else 0)
    fresh_pa, fresh_h = rng.uniform(0.0, 0.3) * new_pa, rng.uniform(0.005, 0.03) * end_h
    noise, wild = rng.uniform(0.005, 0.04), rng.uniform(0.0, 0.06)
    stepped = rng.random() < 0.4
    on_record = stepped and rng.random() < 0.5
    step_at, step_pa = rng.uniform(0.12, 0.42), rng.uniform(-0.3, 0.3) * new_pa
    hours, residuals_pa = [], []
    for reading in range(READINGS):
        part = (reading + rng.random()) / READINGS
        day = min(days - 1, int(part * days))
        aged = course[day] + (part * days - day) * (course[day + 1] - course[day])
        true_pa = new_pa + (limit_pa - new_pa) * shape(aged)
        true_pa -= fresh_pa * exp(-part * end_h / fresh_h)
        if stepped and part < step_at:
            true_pa += step_pa
        read_pa = true_pa * (1.0 + rng.gauss(0.0, noise))
        if rng.random() < wild:
            read_pa *= rng.uniform(0.4, 1.7)
        hours.append(part * end_h)
        residuals_pa.append(read_pa)
    return Life(hours, residuals_pa, limit_pa, end_h, step_at * end_h if on_record else None)
