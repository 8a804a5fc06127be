"""What each hour of the day brings: how much dust, and how much running."""

import numpy as np

from dustcake_lab.fit.bins import Bins
from dustcake_lab.fit.data import LONGEST_STEP_S, Samples
from dustcake_lab.fit.hours import clock_s
from dustcake_lab.fit.search import rises
from dustcake_lab.traces.sample_columns import Floats

_FEWEST_VISITS = 12
"""Hours seen beyond the first of their kind, below which their scatter is not known."""

_LEAST_COVERED_S = 60.0
"""Of an hour: with less of it recorded, nothing is known of it."""
_HOUR_S = 3600.0


def load_by_hour(bins: Bins) -> tuple[Floats, Floats]:
    """Load of each hour of the day over the mean, by how fast dP rises between pulses, and its
    standard error. Drawn in towards 1 as far as it is not certain; 1 where nothing is known. What
    is certain is judged by how the same hour differs from day to day."""
    rise, ran_s = rises(bins, bins.run_s)
    quiet = np.array([not each for each in bins.pulses[1:]]) & bins.whole[1:]
    keep = quiet & (np.diff(bins.run_s) > 0.0)
    pattern, error = np.ones(24), np.full(24, np.inf)
    if rise.sum() <= 0.0:
        return pattern, error
    hour = bins.hour[1:][keep]
    visit = np.cumsum(np.diff(bins.hour, prepend=bins.hour[0]) != 0)[1:][keep]
    risen, ran = (np.bincount(visit, each, visit.max() + 1) for each in (rise, ran_s))
    of = np.zeros(len(ran), np.intp)
    of[visit] = hour
    risen_at, ran_at = (np.bincount(of, each, 24) for each in (risen, ran))
    ratio = risen_at / np.maximum(ran_at, 1.0) / (rise.sum() / ran_s.sum())
    left = risen / (rise.sum() / ran_s.sum()) - ratio[of] * ran
    spare = np.count_nonzero(ran) - np.count_nonzero(ran_at)
    if spare < _FEWEST_VISITS:
        return pattern, error
    # As much as an hour of one day differs from that of another, whichever hour it is.
    scatter = (left**2).sum() / (ran**2).sum() * np.count_nonzero(ran) / spare
    known = ran_at > 0.0
    squares = np.bincount(of, ran**2, 24)[known]
    error[known] = np.sqrt(scatter * squares) / ran_at[known]
    surplus = ratio[known] - 1.0
    certain = np.maximum(0.0, 1.0 - error[known] ** 2 / np.maximum(surplus**2, 1e-12))
    pattern[known] = np.maximum(1.0 + certain * surplus, 0.02)
    spent = np.bincount(bins.hour[1:], np.diff(bins.run_s), minlength=24)
    return pattern / ((pattern * spent).sum() / spent.sum()), error


def running_by_hour(samples: Samples) -> Floats:
    """Share of each hour that the blower ran, hour after hour from the midnight before the first
    row: 24 for each day, so that a day without work stays one. An hour that nobody recorded is
    taken from the next day that has it; where none has, the blower runs in it if it mostly did."""
    hours = clock_s(samples.t_s, samples.start_utc_s, samples.zone) // _HOUR_S
    place = (hours - hours[0] // 24.0 * 24.0).astype(np.intp)
    days = int(place.max()) // 24 + 1
    step_s = np.minimum(np.diff(samples.t_s, prepend=samples.t_s[0]), LONGEST_STEP_S)
    covered = np.bincount(place, step_s, 24 * days).reshape(days, 24)
    ran = np.bincount(place, step_s * samples.running, 24 * days).reshape(days, 24)
    share = ran / np.maximum(covered, 1.0)
    known = covered > _LEAST_COVERED_S
    mostly = float(round(ran.sum() / max(covered.sum(), 1.0)))
    for day, hour in np.argwhere(~known).tolist():
        later = (day + np.arange(1, days)) % days
        told = later[known[later, hour]]
        share[day, hour] = share[told[0], hour] if len(told) else mostly
    return share.ravel()
