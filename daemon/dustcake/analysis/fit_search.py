"""The likeliest parameters, and how far the trace leaves them open."""

from dataclasses import dataclass

import numpy as np

from dustcake.analysis.columns import Floats
from dustcake.analysis.fit_data import Bins, TooThinError
from dustcake.analysis.fit_filter import NAMES, load_clock, passed, unbounded

_STEP = 1e-3
_ROUNDS = 40
_ENOUGH = 2e-3  # log likelihood still to be gained
_SETTLED = 0.5
_MOST_DAMPING = 1e6
# Loose beliefs (mean, standard deviation; unbounded form) that keep what a trace says nothing of
# from running away. One load, residual or share in twenty is further off than a factor of ten.
_LOOSE = 1.2
_BELIEFS = {"scatter": (np.log(0.08), 1.0), "gusts": (np.log(0.1), 1.5), "rest": (np.log(1.0), 1.5)}


@dataclass(slots=True)
class Estimate:
    """``theta``: the likeliest parameters in their unbounded form (``fit_filter.NAMES``);
    ``covariance`` of them; ``by_hour``: the load of each hour of the day over the mean one."""

    theta: Floats
    covariance: Floats
    by_hour: Floats


def estimate(bins: Bins, rows: int, by_hour: Floats) -> Estimate:
    """Maximum likelihood, by scoring (Gauss-Newton with the expected information), damped as in
    Levenberg and Marquardt's method. Raises TooThinError where it does not settle."""
    clock_s = load_clock(bins, by_hour)
    start = _start(bins, clock_s)
    mean, weight = _beliefs(start)
    theta, damping = start, 1e-3
    value, slope, information = _derivatives(bins, clock_s, rows, theta)
    value -= _misfit(theta, mean, weight)
    to_gain = np.inf
    for _ in range(_ROUNDS):
        pull = slope - weight * (theta - mean)
        full = information + np.diag(weight)
        to_gain = 0.5 * float(pull @ np.linalg.solve(full, pull))
        if to_gain < _ENOUGH:
            break
        step = np.linalg.solve(full + damping * np.diag(np.diag(full)), pull)
        step = np.clip(step, -1.0, 1.0)
        tried = _derivatives(bins, clock_s, rows, theta + step)
        better = tried[0] - _misfit(theta + step, mean, weight)
        if better > value:
            theta, value, (_, slope, information) = theta + step, better, tried
            damping = max(damping / 10.0, 1e-9)
        elif damping > _MOST_DAMPING:
            break
        else:
            damping *= 10.0
    if to_gain > _SETTLED:
        raise TooThinError(
            "no set of parameters explains the trace better than its neighbours: it holds too "
            "little that differs. Record cleanings from different dP down to different dP; at one "
            "steady state no trace can tell residual dP from the share a pulse removes"
        )
    covariance = np.linalg.inv(information + np.diag(weight)).astype(np.float64)
    return Estimate(theta, covariance, by_hour)


def _start(bins: Bins, clock_s: Floats) -> Floats:
    rise, ran_s = rises(bins, clock_s)
    load = max(float(rise.sum() / ran_s.sum()), 1e-6) if len(rise) else 1e-3
    residual = 0.6 * float(np.quantile(bins.dp_pa / bins.flow, 0.02))
    return unbounded(np.array([load, max(residual, 1.0), 0.5, 0.08, 0.1, 1.0]))


def rises(bins: Bins, clock_s: Floats) -> tuple[Floats, Floats]:
    """By how much dP at mean flow rose from bin to bin, Pa, with no pulse between, and how long
    that took on the clock."""
    quiet = np.array([not pulses for pulses in bins.pulses[1:]]) & bins.whole[1:]
    ran_s = np.diff(clock_s)
    level = bins.dp_pa / bins.flow
    keep = quiet & (ran_s > 0.0)
    return np.diff(level)[keep], ran_s[keep]


def _beliefs(start: Floats) -> tuple[Floats, Floats]:
    mean, weight = start.copy(), np.full(len(NAMES), _LOOSE**-2)
    for name, (middle, deviation) in _BELIEFS.items():
        place = NAMES.index(name)
        mean[place], weight[place] = middle, deviation**-2
    return mean, weight


def _misfit(theta: Floats, mean: Floats, weight: Floats) -> float:
    return float(0.5 * (weight * (theta - mean) ** 2).sum())


def _derivatives(
    bins: Bins, clock_s: Floats, rows: int, theta: Floats
) -> tuple[float, Floats, Floats]:
    """Log likelihood, its gradient, and the expected information."""
    count = len(theta)
    shifts = _STEP * np.concatenate([np.zeros((1, count)), np.eye(count), -np.eye(count)])
    result = passed(bins, clock_s, rows, theta + shifts)
    error, variance = result.error_pa[:, 0], result.variance_pa2[:, 0]
    d_error = (result.error_pa[:, 1 : count + 1] - result.error_pa[:, count + 1 :]) / (2 * _STEP)
    d_variance = result.variance_pa2[:, 1 : count + 1] - result.variance_pa2[:, count + 1 :]
    d_variance /= 2 * _STEP * variance[:, None]
    scaled = d_error / np.sqrt(variance)[:, None]
    surplus = error**2 / variance - 1.0
    slope = 0.5 * (surplus[:, None] * d_variance).sum(axis=0)
    slope -= ((error / np.sqrt(variance))[:, None] * scaled).sum(axis=0)
    information = scaled.T @ scaled + 0.5 * d_variance.T @ d_variance
    return float(result.log_likelihood()[0]), slope, information
