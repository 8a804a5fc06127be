"""A trace boiled down for a fit: running between pulses, means of dP, and hours of the day."""

from dataclasses import dataclass, fields, replace
from itertools import pairwise
from math import ceil

import numpy as np
import numpy.typing as npt
import polars as pl

from dustcake_lab.fit.data import LONGEST_STEP_S, Samples, TooThinError
from dustcake_lab.traces.columns import Recorded
from dustcake_lab.traces.samples import Floats

SETTLE_PULSE_S = 4.0
"""A reading this soon after a pulse still has the pulse, and the transmitter's damping, in it."""
SETTLE_START_S = 60.0
"""A reading this soon after a start of the blower is not yet that of a steady flow."""
LEAST_PULSES = 30
LEAST_STRETCHES = 10
"""Of readings, between pulses."""
_LONGEST_BIN_S = 900.0
_MOST_BINS = 10

Pulse = tuple[int, float]


@dataclass(slots=True)
class Bins:
    """Means of dP, in order, with the pulses between them.

    ``run_s``: seconds of running up to each; ``n``: samples in it; ``hour``: of the day;
    ``pulses``: for each bin, the rows (from 0) pulsed since the bin before, each with the part of
    the running between the two bins that had passed; ``whole``: False where
    a gap or an unknown part lies before the bin. ``residual_ratio``: residual dP then over that at
    the end of the trace. Of the whole trace: ``rows`` of filters; ``by_hour``, load of each hour of
    the day over the mean; ``noise_pa``, scatter of a single sample.
    """

    run_s: Floats
    dp_pa: Floats
    n: Floats
    hour: npt.NDArray[np.intp]
    flow: Floats
    pulses: list[tuple[Pulse, ...]]
    whole: npt.NDArray[np.bool_]
    residual_ratio: Floats
    rows: int
    by_hour: Floats
    noise_pa: float

    def part(self, begin: int, end: int) -> "Bins":
        """Those from ``begin`` up to ``end``."""
        whole = ("rows", "by_hour", "noise_pa")
        names = [one.name for one in fields(self) if one.name not in whole]
        return replace(self, **{name: getattr(self, name)[begin:end] for name in names})


def bins_of(samples: Samples, recorded: Recorded, order: tuple[int, ...]) -> Bins:
    """Means between pulses. ``order``: the row order of the settings, for pulses whose valve the
    trace does not record. Raises TooThinError."""
    rows = _pulsed_rows(recorded, order)
    if not rows:
        raise TooThinError(
            "the trace has no pulse: fit on one with a column `pulse_valve` or `pulses`, such "
            "as `dustcake history --export` writes"
        )
    t_s, run_s = samples.t_s, samples.run_s
    usable = samples.good & _settled(samples)
    after = np.searchsorted(t_s, [at_s for at_s, _ in rows], "left")
    late = np.searchsorted(t_s, [at_s + SETTLE_PULSE_S for at_s, _ in rows], "left")
    for begin, end in zip(after, late, strict=True):
        usable[begin:end] = False
    found = np.flatnonzero(usable)
    made = _means(samples, found, np.searchsorted(after, found, "right"))
    if len(made) < LEAST_STRETCHES:
        require_pulses(len(rows), samples)
        raise TooThinError(
            f"between {len(rows)} pulses dP was read and to be believed in only {len(made)} "
            f"stretches with the blower running; {LEAST_STRETCHES} at least are needed. Record "
            f"readings a second or a few apart: those less than {SETTLE_PULSE_S:g} s after a pulse "
            f"or {SETTLE_START_S:g} s after a start say nothing"
        )
    run = made["run_s"].to_numpy()
    pulse_run_s = np.interp([at_s for at_s, _ in rows], t_s, run_s)
    pulses = [
        tuple((rows[n][1], _part(pulse_run_s[n], run[k - 1], run[k])) for n in range(*between))
        for k, between in enumerate(pairwise([0, *made["pulses_before"].to_list()]))
    ]
    gap = np.flatnonzero(np.diff(t_s, prepend=t_s[0]) > LONGEST_STEP_S)
    gaps_before = np.searchsorted(gap, [0, *made["last"].to_list()], "right")
    flow = made["flow"].to_numpy()
    return Bins(
        run,
        made["dp_pa"].to_numpy(),
        made["n"].to_numpy(),
        made["hour"].to_numpy().astype(np.intp),
        np.nan_to_num(flow / np.nanmean(flow), nan=1.0),
        pulses,
        np.diff(gaps_before) == 0,
        np.ones(len(made)),
        len(order),
        np.ones(24),
        _noise_pa(samples.dp_pa[usable]),
    )


def _means(
    samples: Samples, places: npt.NDArray[np.intp], pulses_before: npt.NDArray[np.intp]
) -> pl.DataFrame:
    """Means of the samples at ``places`` between one pulse and the next, longer stretches in parts;
    with the hour of the middle one of each, and the place of the last."""
    run_s, flow_m3s = pl.col("run_s"), samples.flow_m3s
    parts = ((run_s.last() - run_s.first()) / _LONGEST_BIN_S).ceil().clip(1, _MOST_BINS)
    part = (pl.int_range(pl.len()) * parts / pl.len()).floor()
    return (
        pl.DataFrame(
            {
                "pulses_before": pulses_before,
                "last": places,
                "run_s": samples.run_s[places],
                "dp_pa": samples.dp_pa[places],
                "hour": samples.hour[places],
                "flow": np.ones(len(places)) if flow_m3s is None else flow_m3s[places],
            }
        )
        .with_columns(part.over("pulses_before").alias("part"), pl.col("flow").fill_nan(None))
        .group_by("pulses_before", "part", maintain_order=True)
        .agg(
            pl.col("last").last(),
            pl.col("run_s", "dp_pa", "flow").mean(),
            pl.col("hour").get(pl.len() // 2),
            pl.len().cast(pl.Float64).alias("n"),
        )
        .with_columns(pl.col("flow").fill_null(np.nan))
    )


def require_pulses(pulses: int, samples: Samples) -> None:
    """Raises TooThinError where there are too few, with the time that it may take to have them."""
    if pulses >= LEAST_PULSES:
        return
    run_h = float(samples.run_s[-1]) / 3600.0
    wanted_h = ceil(run_h * LEAST_PULSES / max(pulses, 1))
    raise TooThinError(
        f"{pulses} pulses with readings around them, in {run_h:.1f} hours of running, are too few: "
        f"{LEAST_PULSES} are needed. Record for longer: some {wanted_h} hours of running, at the "
        "rate of this trace"
    )


def _part(at_s: float, begin_s: float, end_s: float) -> float:
    if end_s <= begin_s:
        return 1.0
    return float(np.clip((at_s - begin_s) / (end_s - begin_s), 0.0, 1.0))


def _pulsed_rows(recorded: Recorded, order: tuple[int, ...]) -> list[tuple[float, int]]:
    """When which row (from 0) was pulsed."""
    pulsed: list[tuple[float, int]] = []
    place = 0
    for each in recorded.pulses:
        for n in range(each.count):
            valve = each.valve if each.valve is not None and n == each.count - 1 else None
            if valve is None or valve not in order:
                valve = order[place % len(order)]
            place = order.index(valve) + 1
            share = (n + 1) / each.count
            pulsed.append((each.after_s + (each.by_s - each.after_s) * share, valve - 1))
    return pulsed


def _settled(samples: Samples) -> npt.NDArray[np.bool_]:
    """Samples long enough after a start of the blower."""
    running = samples.running
    started = np.flatnonzero(running[1:] & ~running[:-1]) + 1
    settled = np.ones(len(running), bool)
    ends = np.searchsorted(samples.t_s, samples.t_s[started] + SETTLE_START_S, "left")
    for begin, end in zip(started, ends, strict=True):
        settled[begin:end] = False
    return settled


def _noise_pa(dp_pa: Floats) -> float:
    """Scatter of one sample, from differences of neighbours: robust against what drifts."""
    differences = np.abs(np.diff(dp_pa[:200_000]))
    if not len(differences):
        return 1.0
    return float(max(1.4826 * np.median(differences) / np.sqrt(2.0), 0.05))


_FEWEST_VISITS = 12
"""Hours seen beyond the first of their kind, below which their scatter is not known."""

_LEAST_COVERED_S = 60.0
"""Of an hour: with less of it recorded, nothing is known of it."""
_HOUR_S = 3600.0


def rises(bins: Bins, clock_s: Floats) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """By how much dP at mean flow rose from bin to bin, Pa, with nothing but running between, and
    how long that took on the clock; and of each bin but the first whether it is one of these."""
    quiet = np.array([not pulses for pulses in bins.pulses[1:]]) & bins.whole[1:]
    keep = quiet & (np.diff(clock_s) > 0.0)
    return np.diff(bins.dp_pa / bins.flow)[keep], np.diff(clock_s)[keep], keep


def load_by_hour(bins: Bins) -> Floats:
    """Load of each hour of the day over the mean, by how fast dP rises between pulses.
    Drawn in towards 1 as far as it is not certain; 1 where nothing is known. What
    is certain is judged by how the same hour differs from day to day."""
    rise, ran_s, keep = rises(bins, bins.run_s)
    pattern = np.ones(24)
    if rise.sum() <= 0.0:
        return pattern
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
        return pattern
    # As much as an hour of one day differs from that of another, whichever hour it is.
    scatter = (left**2).sum() / (ran**2).sum() * np.count_nonzero(ran) / spare
    known = ran_at > 0.0
    variance = scatter * np.bincount(of, ran**2, 24)[known] / ran_at[known] ** 2
    surplus = ratio[known] - 1.0
    certain = np.maximum(0.0, 1.0 - variance / np.maximum(surplus**2, 1e-12))
    pattern[known] = np.maximum(1.0 + certain * surplus, 0.02)
    spent = np.bincount(bins.hour[1:], np.diff(bins.run_s), minlength=24)
    normed: Floats = pattern / ((pattern * spent).sum() / spent.sum())
    return normed


def running_by_hour(samples: Samples) -> Floats:
    """Share of each hour that the blower ran, hour after hour from the midnight before the first
    row: 24 for each day, so that a day without work stays one. An hour that nobody recorded is
    taken from the next day that has it; where none has, the blower runs in it if it mostly did."""
    hours = samples.clock.wall_s(samples.t_s) // _HOUR_S
    place = (hours - hours[0] // 24.0 * 24.0).astype(np.intp)
    days = int(place.max()) // 24 + 1
    step_s = np.minimum(np.diff(samples.t_s, prepend=samples.t_s[0]), LONGEST_STEP_S)
    covered = np.bincount(place, step_s, 24 * days).reshape(days, 24)
    ran = np.bincount(place, step_s * samples.running, 24 * days).reshape(days, 24)
    share = ran / np.maximum(covered, 1.0)
    known = covered > _LEAST_COVERED_S
    mostly = float(round(ran.sum() / max(covered.sum(), 1.0)))
    # Once more behind itself, so that the last days look on to the first ones.
    seen = pl.DataFrame(np.tile(np.where(known, share, np.nan), (2, 1))).fill_nan(None)
    return seen.fill_null(strategy="backward").fill_null(mostly)[:days].to_numpy().ravel()
