"""How likely a trace is under a set of parameters: rows of filters followed by a Kalman filter.

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

import numpy as np

from dustcake_lab.fit.bins import Bins
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
        """Of each set of parameters, but for a constant."""
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
