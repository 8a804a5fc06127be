"""A study of set points: every candidate in a closed loop, under parameters the trace allows,
and the limits it has to keep."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dustcake.core.alarms.names import AlarmName
from dustcake.core.setpoints import Setpoints
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.fit.kalman import NAMES
from dustcake_lab.fit.row_model import RowModel
from dustcake_lab.replay.replay import match_columns
from dustcake_lab.study.candidates import (
    Candidate,
    CandidateResult,
    Prices,
    grid,
    present,
    result_of,
)
from dustcake_lab.study.jobs import Job, Plan, StudyError, run_all
from dustcake_lab.study.loop import StudyLoop
from dustcake_lab.traces.samples import Floats

_MOST_DAYS = 28
"""Of those recorded: whole weeks, and as long as a simulation usually is."""


@dataclass(slots=True)
class Study:
    """``results[i][j]``: of ``candidates[i]`` under the j-th set of parameters, the first the
    likeliest. ``candidates[0]``: today's settings. ``most_dp_pa``: highest dP allowed."""

    collector: FittedCollector
    candidates: list[Candidate]
    results: list[list[CandidateResult]]
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
    made = prepare(collector, setpoints, prices, plan, candidates)
    simulate([made], plan.dask)
    return made


def simulate(studies: Sequence[Study], dask: str | None) -> None:
    """Simulate what each study has prepared, all of it together: no core waits for the last of one
    while there is something to do for the next. Raises StudyError."""
    everything = run_all([job for each in studies for job in each.jobs], dask)
    for each in studies:
        draws = each.plan.draws
        done, everything = everything[: len(each.jobs)], everything[len(each.jobs) :]
        today = each.candidates[0]
        each.results = [
            [result_of(done[n * draws + k], candidate, today, each.prices) for k in range(draws)]
            for n, candidate in enumerate(each.candidates)
        ]


def prepare(
    collector: FittedCollector,
    setpoints: Setpoints,
    prices: Prices,
    plan: Plan,
    candidates: Sequence[Candidate] | None = None,
) -> Study:
    """A study of which nothing has been simulated yet. Raises StudyError."""
    columns = ("time", "dp_pa", "blower_running")
    setpoints = _bare(match_columns(replace(setpoints, header=None), columns).setpoints)
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
    by_hour, running = collector.by_hour.tolist(), days_to_simulate(collector.running)

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


def days_to_simulate(running: Floats) -> list[float]:
    """The days recorded as the simulation goes through them, again and again: the last weeks of
    them, from a day on which the blower ran. A week keeps its days without work; a blower that is
    off on two days of seven is not one that stops for a part of every hour."""
    days = running.reshape(-1, 24)[-_MOST_DAYS:]
    worked = np.flatnonzero(days.any(axis=1))
    first = int(worked[0]) if len(worked) else 0
    days_in_turn: list[float] = np.roll(days, -first, axis=0).ravel().tolist()
    return days_in_turn


def _bare(setpoints: Setpoints) -> Setpoints:
    """Without what costs time and changes no pulse: alarms nobody needs here, and forecasts of
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
    totals = loop.run(days, 10**9)
    at_s, dp_pa = zip(*totals.curve, strict=True)
    return np.array(at_s) / 86_400.0, np.array(dp_pa)


HIGHEST = "highest dP"
FLOW = "flow at the hood"
OUT_OF_REACH = "low set point out of reach"
UNSEEN = "low set point or mean dP below nearly all of the trace"
"""A thin cake may cling: what pulses do there is not for a model to say that has not seen it."""
NEVER = "never cleaned within the time simulated"
_OFTEN = 0.05


def broken(study: Study, index: int) -> list[str]:
    """Which limits a candidate breaks, under more than one in twenty sets of parameters."""
    results, low_pa = study.results[index], study.candidates[index].low_pa
    least, unseen_pa = study.plan.least_flow, study.collector.lowest_dp_pa
    tests: dict[str, Callable[[CandidateResult], bool]] = {
        HIGHEST: lambda each: each.highest_dp_pa > 1.01 * study.most_dp_pa,
        FLOW: lambda each: (
            least is not None and each.least_flow * study.prices.flow_m3s < (1.0 - 1e-6) * least
        ),
        OUT_OF_REACH: lambda each: "cleaning_not_effective" in each.alarms,
        UNSEEN: lambda each: min(each.mean_dp_pa, low_pa or each.mean_dp_pa) < unseen_pa,
        NEVER: lambda each: each.pulses == 0.0,
    }
    return [name for name, test in tests.items() if sum(map(test, results)) > _OFTEN * len(results)]


def comparable(study: Study) -> bool:
    """Whether today's settings have been seen to clean: else there is nothing to compare with."""
    return NEVER not in broken(study, 0)


def limit_words(study: Study, name: str) -> str:
    """A limit with its value, and where that comes from."""
    plan = study.plan
    if name == HIGHEST and plan.most_dp_pa is None:
        return f"{name} ({study.most_dp_pa:.0f} Pa, by the alarms of the settings)"
    if name == HIGHEST:
        return f"{name} (--most-dp {plan.most_dp_pa:g})"
    if name == FLOW:
        return f"{name} (--least-flow {plan.least_flow:g})"
    return name


def binding(study: Study) -> list[str]:
    """Where no candidate keeps the limits: those that all break; failing that, those that any
    does, the most often broken first."""
    found = [set(broken(study, n)) for n in range(1, len(study.candidates))]
    names = sorted(set().union(*found), key=lambda name: -sum(name in each for each in found))
    by_all = [name for name in names if all(name in each for each in found)]
    return by_all or names


def remedy(study: Study, name: str) -> str:
    """What to do where this limit binds."""
    return {
        HIGHEST: "Allow a higher dP with --most-dp, where filters and fan bear it.",
        FLOW: (
            f"The mean flow is {study.prices.flow_m3s:g} m3/s: allow less with --least-flow, or "
            "open the damper and record again."
        ),
        OUT_OF_REACH: (
            f"The fitted residual dP is {study.collector.residual.value:.0f} Pa: check header "
            "pressure and filters, or allow a higher dP with --most-dp."
        ),
        UNSEEN: (
            f"98 % of the trace lies above {study.collector.lowest_dp_pa:.0f} Pa: no low set point "
            "and no mean dP below that is recommended, since the model has hardly seen what pulses "
            "do there. To learn more, lower the low set point for some days and record again."
        ),
        NEVER: f"Simulate for longer than {study.plan.days:g} days, with --days.",
    }[name]
