"""A study that seeks settings instead of going through a grid: differential evolution, by scipy.

A generation is simulated at once, so that it runs on all cores or on a cluster as a grid does.
"""

from collections.abc import Callable

import numpy as np
from scipy.optimize import differential_evolution

from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Setpoints
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.study.candidates import FULL_PULSE_S, Candidate, Prices
from dustcake_lab.study.jobs import Plan
from dustcake_lab.study.study import Study, broken, prepare, simulate
from dustcake_lab.traces.samples import Floats

_EACH = 5
"""Candidates in a generation for each of the five things that are varied."""
_LONGEST_TIMED_S, _LONGEST_INTERVAL_S = 7200.0, 60.0


def search(
    collector: FittedCollector,
    setpoints: Setpoints,
    prices: Prices,
    plan: Plan,
    tries: int = 200,
) -> Study:
    """A study of today's settings and of those that some ``tries`` came upon. Raises StudyError."""
    found = prepare(collector, setpoints, prices, plan, [])
    simulate([found], plan.dask)
    known = {found.candidates[0]: _cost(found, 0)}
    of = _candidates(found, plan.shortest_interval_s)

    def energies(places: Floats) -> Floats:
        wanted = [of(place) for place in places.T]
        fresh = [each for each in dict.fromkeys(wanted) if each not in known]
        known.update(_tried(found, fresh, collector, setpoints, prices, plan))
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


def _tried(
    found: Study,
    fresh: list[Candidate],
    collector: FittedCollector,
    setpoints: Setpoints,
    prices: Prices,
    plan: Plan,
) -> dict[Candidate, float]:
    """Energy of each, kWh in 1000 hours, doubled for each limit it breaks; added to the study."""
    if not fresh:
        return {}
    part = prepare(collector, setpoints, prices, plan, fresh)
    simulate([part], plan.dask)
    begin = len(found.candidates)
    found.candidates += part.candidates[1:]
    found.results += part.results[1:]
    found.jobs += part.jobs[plan.draws :]
    return {each: _cost(found, begin + n) for n, each in enumerate(fresh)}


def _cost(study: Study, index: int) -> float:
    mean_kwh = float(np.mean([each.kwh for each in study.results[index]]))
    return mean_kwh * 2.0 ** len(broken(study, index))
