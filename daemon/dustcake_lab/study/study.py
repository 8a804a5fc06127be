"""A study of set points: every candidate in a closed loop, under parameters the trace allows,
and the limits it has to keep."""

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from scipy.optimize import differential_evolution

from dustcake.core.alarms.names import AlarmName
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Setpoints
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.replay.replay import match_columns
from dustcake_lab.study.candidates import (
    FULL_PULSE_S,
    Candidate,
    CandidateResult,
    Prices,
    averaged,
    grid,
    present,
    result_of,
)
from dustcake_lab.study.jobs import Job, Plan, StudyError, run_all
from dustcake_lab.study.loop import RowModel, StudyLoop
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
    totals = iter(run_all([job for each in studies for job in each.jobs], dask))
    for each in studies:
        today, draws = each.candidates[0], range(each.plan.draws)
        each.results = [
            [result_of(next(totals), candidate, today, each.prices) for _ in draws]
            for candidate in each.candidates
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
        load, residual, removed, scatter, *_ = drawn.tolist()
        return RowModel(
            collector.rows,
            load,
            residual,
            min(0.95, removed * candidate.effect_over(today)),
            scatter,
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
    """Settings without what costs time and changes no pulse: alarms nobody needs here, and
    forecasts of filter life."""
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
    """What binds where no candidate keeps the limits: those that all break; failing that, those
    that any does, the most often broken first."""
    count = len(study.candidates)
    found = Counter(chain.from_iterable(broken(study, n) for n in range(1, count)))
    by_all = [name for name, times in found.items() if times == count - 1]
    return by_all or [name for name, _ in found.most_common()]


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


_EACH = 5
"""Candidates in a generation for each of the five things that are varied."""
_LONGEST_TIMED_S, _LONGEST_INTERVAL_S = 7200.0, 60.0


def search(
    collector: FittedCollector, setpoints: Setpoints, prices: Prices, plan: Plan, tries: int = 200
) -> Study:
    """A study of today's settings and of those that some ``tries`` came upon. Raises StudyError."""
    found = study(collector, setpoints, prices, plan, [])
    known = {found.candidates[0]: _cost(found, 0)}
    of = _candidates(found, plan.shortest_interval_s)

    def energies(places: Floats) -> Floats:
        wanted = [of(place) for place in places.T]
        fresh = [each for each in dict.fromkeys(wanted) if each not in known]
        known.update(_tried(found, fresh))
        return np.array([known[each] for each in wanted])

    generation = _EACH * 5
    differential_evolution(
        energies,
        bounds=[(0, 1), (0.0, 1.0), (0.0, 1.0), (0.0, 1.0), (0.0, 1.0)],
        integrality=[True, False, False, False, False],
        popsize=_EACH,
        maxiter=max(1, tries // generation - 1),
        tol=0.0,
        polish=False,
        vectorized=True,
        updating="deferred",
        rng=plan.seed,
    )
    return found


def _candidates(study: Study, shortest_s: float) -> Callable[[Floats], Candidate]:
    """What a place in the unit cube stands for: mode, low, high, interval, on-time."""
    bottom_pa, top_pa = 1.08 * study.collector.residual.high, study.most_dp_pa
    today = study.candidates[0]
    own_on_s = today.on_time_s  # None of a board, which has an interval of its own too
    on_s = sorted((FULL_PULSE_S / 2.0, max(FULL_PULSE_S, own_on_s or 0.0)))

    def of(place: Floats) -> Candidate:
        timed, low, high, interval, on = place.tolist()
        on_time_s = None if own_on_s is None else round(on_s[0] + (on_s[1] - on_s[0]) * on, 2)
        interval_s: float | None = None
        if timed >= 0.5:
            if own_on_s is not None:
                begin_s = max(15.0, shortest_s)
                interval_s = round(begin_s * (_LONGEST_TIMED_S / begin_s) ** interval)
            return Candidate(Mode.TIMED, None, None, interval_s, on_time_s)
        high_pa = bottom_pa + (top_pa - bottom_pa) * (0.1 + 0.9 * high)
        low_pa = bottom_pa + (high_pa - bottom_pa) * 0.9 * low
        if own_on_s is not None:
            interval_s = round(shortest_s + (_LONGEST_INTERVAL_S - shortest_s) * interval)
        return Candidate(Mode.ON_DEMAND, round(low_pa), round(high_pa), interval_s, on_time_s)

    return of


def _tried(found: Study, fresh: list[Candidate]) -> dict[Candidate, float]:
    """Energy of each, kWh in 1000 hours, doubled for each limit it breaks; added to the study."""
    if not fresh:
        return {}
    plan = found.plan
    part = study(found.collector, found.setpoints, found.prices, plan, fresh)
    begin = len(found.candidates)
    found.candidates += part.candidates[1:]
    found.results += part.results[1:]
    found.jobs += part.jobs[plan.draws :]
    return {each: _cost(found, begin + n) for n, each in enumerate(fresh)}


def _cost(study: Study, index: int) -> float:
    return averaged(study.results[index]).kwh * 2.0 ** len(broken(study, index))
