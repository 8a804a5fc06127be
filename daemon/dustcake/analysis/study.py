"""A study of set points: every candidate in a closed loop, under parameters the trace allows."""

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.util import find_spec

import numpy as np

from dustcake.analysis.columns import Floats
from dustcake.analysis.fit_collector import FittedCollector
from dustcake.analysis.fit_filter import NAMES
from dustcake.analysis.replay import fit
from dustcake.analysis.rows import RowModel
from dustcake.analysis.study_candidates import (
    FULL_PULSE_S,
    Candidate,
    Outcome,
    Prices,
    grid,
    outcome,
    present,
)
from dustcake.analysis.study_loop import Lived, StudyLoop
from dustcake.core.record import record
from dustcake.core.setpoints import AlarmName, Setpoints

_CONNECT_S = 10.0


class StudyError(Exception):
    """Why there is no study, and the remedy."""


@record
class Plan:
    """``days`` to simulate under each of ``draws`` sets of parameters. A candidate that has fired
    ``most_pulses`` (under all but the likeliest set a third of it) is not simulated further: what
    it needs is known by then. ``dask``: address of a scheduler to run on."""

    days: float = 30.0
    draws: int = 4
    seed: int = 1
    most_pulses: int = 800
    shortest_interval_s: float = 5.0
    most_dp_pa: float | None = None
    least_flow: float | None = None
    dask: str | None = None


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
    jobs: "list[Job]"


def study(
    collector: FittedCollector,
    setpoints: Setpoints,
    prices: Prices,
    plan: Plan,
    candidates: Sequence[Candidate] | None = None,
) -> Study:
    """Simulate them all, on all cores or on a Dask cluster. Raises StudyError."""
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
    by_hour, running = collector.by_hour.tolist(), collector.running.tolist()

    def model(drawn: Floats, candidate: Candidate) -> RowModel:
        values = dict(zip(NAMES, drawn.tolist(), strict=True))
        effect = min(1.0, candidate.on_time_s / FULL_PULSE_S)
        effect /= min(1.0, today.on_time_s / FULL_PULSE_S)
        return RowModel(
            collector.rows,
            values["load"],
            values["residual"],
            min(0.95, values["removed"] * effect),
            values["scatter"],
            collector.flow_fall_per_pa,
            collector.mean_dp_pa,
        )

    jobs = [
        (model(drawn, each), each.applied(setpoints), by_hour, running, plan, n)
        for each in everything
        for n, drawn in enumerate(draws)
    ]
    lived = _all(jobs, plan.dask)
    outcomes = [
        [outcome(lived[n * plan.draws + draw], each, today, prices) for draw in range(plan.draws)]
        for n, each in enumerate(everything)
    ]
    return Study(collector, everything, outcomes, prices, plan, most_dp_pa, setpoints, jobs)


def _bare(setpoints: Setpoints) -> Setpoints:
    """Without what costs time and changes no pulse: alarms nobody asks for here, and forecasts of
    filter life."""
    watched = tuple(a for a in setpoints.alarms if a.name is AlarmName.CLEANING_NOT_EFFECTIVE)
    return replace(setpoints, alarms=watched, seasoning_h=math.inf)


Job = tuple[RowModel, Setpoints, list[float], list[float], Plan, int]


def _one(job: Job) -> Lived:
    model, setpoints, by_hour, running, plan, draw = job
    loop = StudyLoop(model, setpoints, by_hour, running, plan.seed + draw)
    return loop.live(plan.days, plan.most_pulses if draw == 0 else plan.most_pulses // 3)


def _some(jobs: list[Job]) -> list[Lived]:
    return [_one(job) for job in jobs]


def _all(jobs: list[Job], dask: str | None) -> list[Lived]:
    from joblib import Parallel, delayed

    share = max(1, min(25, len(jobs) // 16))
    batches = [jobs[n : n + share] for n in range(0, len(jobs), share)]
    with _on(dask):
        done = Parallel(n_jobs=-1)(delayed(_some)(batch) for batch in batches)
    return [each for batch in done for each in batch]


@contextmanager
def _on(dask: str | None) -> Iterator[None]:
    """Where joblib is to run: on this machine, or on a cluster. Raises StudyError."""
    if dask is None:
        yield
        return
    if find_spec("distributed") is None:
        raise StudyError('--dask needs the extra `cluster`: pip install "dustcake[cluster]"')
    from distributed import Client
    from joblib import parallel_config

    try:
        client = Client(dask, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise StudyError(
            f"--dask {dask}: no scheduler there ({error}); start it, or leave the option out"
        ) from None
    with client, parallel_config(backend="dask", client=client):
        yield


def curves(study: Study, index: int, days: float = 2.0) -> tuple[Floats, Floats]:
    """dP of a candidate over its first days, under the likeliest parameters: days, and Pa."""
    job = study.jobs[index * study.plan.draws]
    loop = StudyLoop(job[0], job[1], job[2], job[3], study.plan.seed)
    loop.keep_curve_s = days * 86_400.0
    lived = loop.live(days, 10**9)
    at_s, dp_pa = zip(*lived.curve, strict=True)
    return np.array(at_s) / 86_400.0, np.array(dp_pa)
