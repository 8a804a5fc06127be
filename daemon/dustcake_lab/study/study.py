"""A study of set points: every candidate in a closed loop, under parameters the trace allows."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dustcake.core.setpoints import AlarmName, Setpoints
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.fit.filter import NAMES
from dustcake_lab.fit.rows import RowModel
from dustcake_lab.replay.replay import fit
from dustcake_lab.study.candidates import Candidate, Outcome, Prices, grid, outcome, present
from dustcake_lab.study.jobs import Job, Plan, StudyError, live_all
from dustcake_lab.study.loop import StudyLoop
from dustcake_lab.traces.sample_columns import Floats

_MOST_DAYS = 28
"""Of those recorded: whole weeks, and as long as a simulation usually is."""

__all__ = ["Plan", "Study", "StudyError", "curves", "lived", "prepared", "study"]


@dataclass(slots=True)
class Study:
    """``outcomes[i][j]``: of ``candidates[i]`` under the j-th set of parameters, the first the
    likeliest. ``candidates[0]``: today's settings. ``most_dp_pa``: highest dP allowed."""

    collector: FittedCollector
    candidates: list[Candidate]
    outcomes: list[list[Outcome]]
    prices: Prices
    plan: Plan
    most_dp_pa: float
    setpoints: Setpoints
    jobs: list[Job]


def study(
    collector: FittedCollector,
    setpoints: Setpoints,
    prices: Prices,
    plan: Plan,
    candidates: Sequence[Candidate] | None = None,
) -> Study:
    """Simulate them all, on all cores or on a Dask cluster. Raises StudyError."""
    made = prepared(collector, setpoints, prices, plan, candidates)
    lived([made], plan.dask)
    return made


def lived(studies: Sequence[Study], dask: str | None) -> None:
    """Simulate what each study has prepared, all of it together: no core waits for the last of one
    while there is something to do for the next. Raises StudyError."""
    everything = live_all([job for each in studies for job in each.jobs], dask)
    for each in studies:
        draws = each.plan.draws
        done, everything = everything[: len(each.jobs)], everything[len(each.jobs) :]
        today = each.candidates[0]
        each.outcomes = [
            [outcome(done[n * draws + k], candidate, today, each.prices) for k in range(draws)]
            for n, candidate in enumerate(each.candidates)
        ]


def prepared(
    collector: FittedCollector,
    setpoints: Setpoints,
    prices: Prices,
    plan: Plan,
    candidates: Sequence[Candidate] | None = None,
) -> Study:
    """A study of which nothing has been simulated yet. Raises StudyError."""
    columns = ("time", "dp_pa", "blower_running")
    setpoints = _bare(fit(replace(setpoints, header=None), columns).setpoints)
    limits, today = setpoints.limits, present(setpoints)
    most_dp_pa = plan.most_dp_pa or min(limits.replacement_pa, limits.high_pa) - limits.deadband_pa
    if most_dp_pa <= 1.1 * collector.residual.value:
        raise StudyError(
            f"the highest dP allowed, {most_dp_pa:.0f} Pa, is hardly above the residual dP of "
            f"{collector.residual.value:.0f} Pa: the filters are worn, or the limit is too low; "
            "give another with --most-dp"
        )
    if candidates is None:
        residual_pa = collector.residual.high
        candidates = list(grid(setpoints, residual_pa, most_dp_pa, plan.shortest_interval_s))
    everything = [today, *(each for each in candidates if each != today)]
    draws = collector.draws(plan.draws, plan.seed)
    by_hour, running = collector.by_hour.tolist(), days_to_live(collector.running)

    def model(drawn: Floats, candidate: Candidate) -> RowModel:
        values = dict(zip(NAMES, drawn.tolist(), strict=True))
        return RowModel(
            collector.rows,
            values["load"],
            values["residual"],
            min(0.95, values["removed"] * candidate.effect_over(today)),
            values["scatter"],
            collector.flow_fall_per_pa,
            collector.mean_dp_pa,
        )

    jobs = [
        (model(drawn, each), each.applied(setpoints), by_hour, running, plan, n)
        for each in everything
        for n, drawn in enumerate(draws)
    ]
    return Study(collector, everything, [], prices, plan, most_dp_pa, setpoints, jobs)


def days_to_live(running: Floats) -> list[float]:
    """The days recorded as the simulation goes through them, again and again: the last weeks of
    them, from a day on which the blower ran. A week keeps its days without work; a blower that is
    off on two days of seven is not one that stops for a part of every hour."""
    days = running.reshape(-1, 24)[-_MOST_DAYS:]
    worked = np.flatnonzero(days.any(axis=1))
    first = int(worked[0]) if len(worked) else 0
    lived: list[float] = np.roll(days, -first, axis=0).ravel().tolist()
    return lived


def _bare(setpoints: Setpoints) -> Setpoints:
    """Without what costs time and changes no pulse: alarms nobody asks for here, and forecasts of
    filter life."""
    watched = AlarmName.CLEANING_NOT_EFFECTIVE
    alarms = tuple(
        each if each.name is watched else replace(each, enabled=False) for each in setpoints.alarms
    )
    return replace(setpoints, alarms=alarms, seasoning_h=math.inf)


def curves(study: Study, index: int, days: float = 2.0) -> tuple[Floats, Floats]:
    """dP of a candidate over its first days, under the likeliest parameters: days, and Pa."""
    job = study.jobs[index * study.plan.draws]
    loop = StudyLoop(job[0], job[1], job[2], job[3], study.plan.seed)
    loop.keep_curve_s = days * 86_400.0
    lived = loop.live(days, 10**9)
    at_s, dp_pa = zip(*lived.curve, strict=True)
    return np.array(at_s) / 86_400.0, np.array(dp_pa)
