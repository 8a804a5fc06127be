"""The likeliest parameters of a trace, and how far it leaves them open: rows of filters followed by
a Kalman filter.

The model, in pressures: row i has s_i = (its drag) times (the mean face velocity at mean flow), Pa.
All rows see one dP = v h(s), h the harmonic mean and v the flow over its mean (Darcy; rows side by
side). Dust lands where the air goes: ds_i/dt = load v h / s_i, so s_i^2 grows alike on all rows and
the mean of s grows by the load: both in closed form. A pulse of row i leaves
residual + (s_i - residual)(1 - removed), with `removed` scattering from pulse to pulse. The load
goes by gusts: beside its mean, what it was a while ago goes on (a first-order process of an hour),
or a spell of heavy work would be taken for what pulses left behind.

The filter is linearised about its estimate (an extended Kalman filter, as in the textbooks). Many
sets of parameters go through it side by side, so that one pass gives all derivatives.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np

from dustcake_lab.fit.bins import Bins, rises
from dustcake_lab.fit.data import TooThinError
from dustcake_lab.traces.samples import Floats

NAMES = ("load", "residual", "removed", "scatter", "gusts", "rest")
"""``load`` Pa per second of running at mean flow: K2 c V^2. ``residual`` Pa: what no pulse takes
off at the end of the trace (``Bins.residual_ratio`` says what it was before). ``removed``: share
of a row's cake a pulse takes off; ``scatter``: its standard deviation. ``gusts``: standard
deviation of an hour's load, over the load. ``rest`` Pa: scatter of a mean that neither the samples'
noise nor anything else explains."""

_GUST_S = 3600.0
"""For about so long of running a gust lasts: as long as a piece of work. Judgement."""

_UNLIKE = 0.1
"""How unlike each other rows are before anything is known of them, over dP."""
_FORGOTTEN = 0.1
"""What share of that, as a variance, a gap brings back."""


def natural(theta: Floats) -> Floats:
    """Parameters from their unbounded form, in which they are sought; last axis as ``NAMES``."""
    values = np.exp(theta)
    values[..., 2] = 1.0 / (1.0 + np.exp(-theta[..., 2]))
    return values


def unbounded(values: Floats) -> Floats:
    """The inverse of ``natural``."""
    theta = np.log(values)
    theta[..., 2] = np.log(values[..., 2] / (1.0 - values[..., 2]))
    return theta


@dataclass(slots=True)
class Innovations:
    """What a filter says of each bin: the error of its prediction, and that error's variance; one
    column for each set of parameters."""

    error_pa: Floats
    variance_pa2: Floats

    def log_likelihood(self) -> Floats:
        """Log likelihood of each set of parameters, but for a constant."""
        terms = np.log(self.variance_pa2) + self.error_pa**2 / self.variance_pa2
        total: Floats = -0.5 * terms.sum(axis=0)
        return total


def load_clock(bins: Bins) -> Floats:
    """Running time weighted with the load of each hour, s, up to each bin."""
    step_s = np.diff(bins.run_s, prepend=bins.run_s[0])
    return np.cumsum(step_s * bins.by_hour[bins.hour])


def innovations(bins: Bins, theta: Floats) -> Innovations:
    """Take every bin, for every set of parameters (one a line of ``theta``)."""
    load, residual_now, removed, scatter, gusts, rest = natural(theta).T
    sets, rows, clock_s = len(theta), bins.rows, load_clock(bins)
    error, variance = np.empty((len(clock_s), sets)), np.empty((len(clock_s), sets))
    first = bins.dp_pa[0] / bins.flow[0]
    s, gust = np.full((sets, rows), first), np.zeros(sets)
    # Covariance of the rows, and of the gust in the last place.
    p = np.zeros((sets, rows + 1, rows + 1))
    p[:, range(rows), range(rows)] = (_UNLIKE * first) ** 2
    unknown = _FORGOTTEN * p
    p[:, rows, rows] = gusts**2
    steps_s = np.diff(clock_s, prepend=clock_s[0])
    noise2 = bins.noise_pa**2 / bins.n
    for k in range(len(clock_s)):
        if not bins.whole[k]:
            p = p + unknown
        done, residual = 0.0, residual_now * bins.residual_ratio[k]
        for row, part in (*bins.pulses[k], (None, 1.0)):
            step_s = steps_s[k] * (part - done)
            if step_s > 0.0:
                kept = float(np.exp(-step_s / _GUST_S))
                gust = gust * kept
                p[:, rows, :] *= kept
                p[:, :, rows] *= kept
                p[:, rows, rows] += gusts**2 * (1.0 - kept * kept)
                s, p = _loaded(s, p, load * step_s * bins.flow[k], gust)
            done = part
            if row is not None:
                _pulse(s, p, row, residual, removed, scatter)
        h = rows / (1.0 / s).sum(axis=1)
        slope = (h * h / rows)[:, None] / (s * s) * bins.flow[k]
        ps = np.einsum("bij,bj->bi", p[:, :, :rows], slope)
        variance[k] = np.einsum("bi,bi->b", slope, ps[:, :rows])
        # The mean of h over rows that are not known exactly lies below h of their means.
        bend = variance[k] / (bins.flow[k] * h)
        own = np.einsum("bii->bi", p)[:, :rows]
        bend -= bins.flow[k] * h * h / rows * (own / s**3).sum(axis=1)
        error[k] = bins.dp_pa[k] - bins.flow[k] * h - bend
        variance[k] += noise2[k] + rest**2
        gain_k = ps / variance[k][:, None]
        s = np.maximum(s + gain_k[:, :rows] * error[k][:, None], 0.3 * residual[:, None])
        gust = gust + gain_k[:, rows] * error[k]
        p = p - gain_k[:, :, None] * ps[:, None, :]
    return Innovations(error, variance)


def _pulse(
    s: Floats, p: Floats, row: int, residual: Floats, removed: Floats, scatter: Floats
) -> None:
    """One pulse of a row, in place."""
    cake, left = s[:, row] - residual, 1.0 - removed
    s[:, row] = residual + cake * left
    lost = (cake * cake + p[:, row, row]) * scatter**2
    p[:, row, :] *= left[:, None]
    p[:, :, row] *= left[:, None]
    p[:, row, row] += lost


def _loaded(s: Floats, p: Floats, mean_added: Floats, gust: Floats) -> tuple[Floats, Floats]:
    """Rows and their covariance after the mean of s has grown by ``mean_added`` and the gust."""
    rows = s.shape[1]
    added = mean_added * np.maximum(1.0 + gust, 0.0)
    squares, target = s * s, s.mean(axis=1) + added
    grown = 2.0 * added * rows / (1.0 / s).sum(axis=1)
    for _ in range(3):
        root = np.sqrt(squares + grown[:, None])
        grown = np.maximum(
            grown - (root.mean(axis=1) - target) * 2.0 * rows / (1.0 / root).sum(axis=1), 0.0
        )
    after = np.sqrt(squares + grown[:, None])
    inverse = 1.0 / after
    ratio = s * inverse
    total = inverse.sum(axis=1)
    f = np.zeros_like(p)
    f[:, :rows, :rows] = np.einsum("bi,bj->bij", inverse / total[:, None], 1.0 - ratio)
    f[:, range(rows), range(rows)] += ratio
    f[:, :rows, rows] = (rows * mean_added / total)[:, None] * inverse
    f[:, rows, rows] = 1.0
    return after, f @ p @ f.transpose(0, 2, 1)


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
    """``theta``: the likeliest parameters in their unbounded form (``estimate.NAMES``);
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
    """Derivatives by the parameters at ``places``, the others held."""
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
