"""The likeliest parameters, and how far the trace leaves them open."""

from dataclasses import dataclass
from itertools import product

import numpy as np

from dustcake_lab.fit.bins import Bins, rises
from dustcake_lab.fit.data import TooThinError
from dustcake_lab.fit.kalman import NAMES, innovations, load_clock, unbounded
from dustcake_lab.traces.samples import Floats

_STEP = 1e-3
_ROUNDS = 40
_ENOUGH = 2e-3  # log likelihood still to be gained
_SETTLED = 0.5
_MOST_DAMPING = 1e6
_RESIDUALS = (0.3, 0.45, 0.6, 0.7, 0.8, 0.9, 0.97)
"""Of the lowest dP, from which the search may begin; and shares removed."""
_REMOVED = (0.15, 0.3, 0.45, 0.6, 0.75, 0.9)
_BLOCKS = 24
"""Parts of the trace that are held against each other: long enough for most that lasts, and enough
of them for their scatter to be known."""
_FEW_BLOCKS = 2.069 / 1.960
"""Student's 97.5 % quantile with 23 degrees of freedom over that of a normal distribution."""
# Loose beliefs (mean, standard deviation; unbounded form) that keep what a trace says nothing of
# from running away. One load, residual or share in twenty is further off than a factor of ten.
_LOOSE = 1.2
_BELIEFS = {"scatter": (np.log(0.08), 1.0), "gusts": (np.log(0.1), 1.5), "rest": (np.log(1.0), 1.5)}


_TOO_FAR = np.errstate(over="ignore", divide="ignore", invalid="ignore")
"""What is tried may be so far off that it overflows: it is then no better, and not taken."""
_ALL = tuple(range(len(NAMES)))
_NUISANCE = np.array([name in _BELIEFS for name in NAMES], dtype=np.float64)


@dataclass(slots=True)
class Estimate:
    """``theta``: the likeliest parameters in their unbounded form (``kalman.NAMES``);
    ``covariance`` of them."""

    theta: Floats
    covariance: Floats


def estimate(bins: Bins, begin_at: Floats | None = None) -> Estimate:
    """Maximum likelihood. ``begin_at``: parameters from which it is not far. Raises TooThinError
    where it does not settle."""
    start = _start(bins)
    mean, weight = start.copy(), np.full(len(NAMES), _LOOSE**-2)
    for name, (middle, deviation) in _BELIEFS.items():
        place = NAMES.index(name)
        mean[place], weight[place] = middle, deviation**-2
    theta, here, to_gain = scored(bins, start if begin_at is None else begin_at, mean, weight)
    if not to_gain <= _SETTLED:
        raise TooThinError(
            "no set of parameters explains the trace better than its neighbours: it holds too "
            "little that differs. Record cleanings from different dP down to different dP; at one "
            "steady state no trace can separate residual dP from the share a pulse removes"
        )
    return Estimate(theta, _covariance(here, np.diag(weight)))


@_TOO_FAR
def _start(bins: Bins) -> Floats:
    """The likeliest of a few residuals and shares removed: a residual too low and a share too small
    explain much alike, and from the wrong end of that valley the search may not come back."""
    rise, ran_s, _ = rises(bins, load_clock(bins))
    load = max(float(rise.sum() / ran_s.sum()), 1e-6) if len(rise) else 1e-3
    lowest = max(float(np.quantile(bins.dp_pa / bins.flow, 0.02)), 2.0)
    pairs = product(_RESIDUALS, _REMOVED)
    tried = unbounded(np.array([[load, lowest * of, share, 0.08, 0.1, 1.0] for of, share in pairs]))
    likely = innovations(bins, tried).log_likelihood()
    start: Floats = tried[int(np.argmax(np.nan_to_num(likely, nan=-np.inf)))]
    return start


@dataclass(slots=True)
class Derivatives:
    """Log likelihood; what each bin adds to its gradient (a line each); the roots of what each
    expects of information, two lines a bin (its error, its variance); and that information with the
    curvature that is there where it is larger, by the parameters that only say how errors spread:
    where these hardly count, the information expects too little."""

    value: float
    scores: Floats
    roots: Floats
    curvature: Floats


def scored(
    bins: Bins, theta: Floats, mean: Floats, weight: Floats, places: tuple[int, ...] = _ALL
) -> tuple[Floats, Derivatives, float]:
    """The likeliest parameters near ``theta``, those at ``places`` sought and the others held; the
    derivatives there, and the log likelihood still to be gained. ``mean``, and ``weight`` (one over
    the variance): what is believed of them beforehand. By scoring (Gauss-Newton with the expected
    information), damped as in Levenberg and Marquardt's method."""
    free = list(places)
    weight = weight[free]
    here, damping, to_gain = derivatives(bins, theta, places), 1e-3, np.inf

    def misfit(at: Floats) -> float:
        return float(0.5 * (weight * (at - mean)[free] ** 2).sum())

    for _ in range(_ROUNDS):
        pull = here.scores.sum(axis=0) - weight * (theta - mean)[free]
        full = here.curvature + np.diag(weight)
        to_gain = 0.5 * float(pull @ np.linalg.solve(full, pull))
        if to_gain < _ENOUGH or damping > _MOST_DAMPING:
            break
        step = np.linalg.solve(full + damping * np.diag(np.diag(full)), pull)
        moved = theta.copy()
        moved[free] += np.clip(step, -1.0, 1.0)
        there = derivatives(bins, moved, places)
        if there.value - misfit(moved) > here.value - misfit(theta):
            theta, here, damping = moved, there, max(damping / 10.0, 1e-9)
        else:
            damping *= 10.0
    return theta, here, to_gain


@_TOO_FAR
def derivatives(bins: Bins, theta: Floats, places: tuple[int, ...] = _ALL) -> Derivatives:
    """By the parameters at ``places``, the others held."""
    count = len(places)
    each = _STEP * np.eye(len(theta))[list(places)]
    shifts = np.concatenate([np.zeros((1, len(theta))), each, -each])
    result = innovations(bins, theta + shifts)
    error, variance = result.error_pa[:, 0], result.variance_pa2[:, 0]
    d_error = (result.error_pa[:, 1 : count + 1] - result.error_pa[:, count + 1 :]) / (2 * _STEP)
    d_variance = result.variance_pa2[:, 1 : count + 1] - result.variance_pa2[:, count + 1 :]
    d_variance /= 2 * _STEP * variance[:, None]
    scaled = d_error / np.sqrt(variance)[:, None]
    scores = 0.5 * (error**2 / variance - 1.0)[:, None] * d_variance
    scores -= (error / np.sqrt(variance))[:, None] * scaled
    roots = np.stack([scaled, np.sqrt(0.5) * d_variance], axis=1)
    information = np.einsum("kri,krj->ij", roots, roots)
    values = result.log_likelihood()
    bent = (2.0 * values[0] - values[1 : count + 1] - values[count + 1 :]) / _STEP**2
    lifted = np.maximum(0.0, bent - np.diag(information)) * _NUISANCE[list(places)]
    return Derivatives(float(values[0]), scores, roots, information + np.diag(lifted))


def _covariance(found: Derivatives, weight: Floats) -> Floats:
    """What the information expects, but not narrower than parts of the trace agree with each
    other: where the estimate would go without each of them (the jackknife by blocks, to first
    order). They agree less than errors each on their own would: gusts last, pulses are many things
    at once."""
    sums = [block.sum(axis=0) for block in np.array_split(found.scores, _BLOCKS)]
    blocks = np.array_split(found.roots, _BLOCKS)
    parts = np.array([np.einsum("kri,krj->ij", block, block) for block in blocks])
    whole = parts.sum(axis=0) + weight
    moves = np.linalg.solve(whole - parts, np.array(sums)[:, :, None])[:, :, 0]
    expected: Floats = np.linalg.inv(whole)
    seen = (_BLOCKS - 1) / _BLOCKS * (moves**2).sum(axis=0) * _FEW_BLOCKS**2
    ratio = np.sqrt(np.maximum(1.0, seen / np.diag(expected)))
    wide: Floats = ratio[:, None] * expected * ratio[None, :]
    return wide


@dataclass(slots=True)
class Interval:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float
