"""A study of many collectors: fitted side by side, and then simulated all together."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from dustcake.adapters.store import StoreRefused
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.fit.data import TooThinError, UnknownZoneError
from dustcake_lab.fit.trace import fit_trace
from dustcake_lab.study.candidates import Candidate, prices_of
from dustcake_lab.study.jobs import Plan, StudyError
from dustcake_lab.study.results import as_json
from dustcake_lab.study.study import Study, prepare, simulate
from dustcake_lab.study.verdict import LABEL, Verdict, verdict
from dustcake_lab.traces.columns import TraceError


@record
class Member:
    """One collector of a fleet. ``flow_m3s``: mean flow where the trace has none; ``air_m3``:
    free air of a pulse, None: as its settings have it."""

    name: str
    trace: Path
    setpoints: Setpoints
    flow_m3s: float | None
    air_m3: float | None
    fan_efficiency: float


@dataclass(slots=True)
class FleetResult:
    """What came of one: a study with its verdict, or ``refused``, why there is none."""

    name: str
    trace: Path
    study: Study | None = None
    verdict: Verdict | None = None
    refused: str = ""


def fleet(
    members: Sequence[Member | FleetResult],
    plan: Plan,
    candidates: Sequence[Candidate] | None = None,
    zone: ZoneInfo | None = None,
) -> list[FleetResult]:
    """Study them all, in their order; ``candidates`` None: a grid for each; hours of the day in
    ``zone`` (None: UTC). A trace that cannot say stops none of the others, and what is refused
    already stays so. Raises StudyError where nothing can be simulated at all."""
    from joblib import Parallel, delayed

    to_fit = [each for each in members if isinstance(each, Member)]
    fits = iter(Parallel(n_jobs=-1)(delayed(_fitted)(member, zone) for member in to_fit))
    found = [
        _prepared(each, next(fits), plan, candidates) if isinstance(each, Member) else each
        for each in members
    ]
    simulate([each.study for each in found if each.study is not None], plan.dask)
    for each in found:
        if each.study is not None:
            each.verdict = verdict(each.study)
    return found


def _fitted(member: Member, zone: ZoneInfo | None) -> FittedCollector | str:
    try:
        return fit_trace(member.trace, member.setpoints, zone).collector
    except (TraceError, TooThinError, UnknownZoneError, StoreRefused) as error:
        return f"{member.trace}: {error}"


def _prepared(
    member: Member, fit: FittedCollector | str, plan: Plan, candidates: Sequence[Candidate] | None
) -> FleetResult:
    if isinstance(fit, str):
        return FleetResult(member.name, member.trace, refused=fit)
    flow_m3s = member.flow_m3s or fit.flow_m3s
    if flow_m3s is None:
        why = "; ".join(fit.notes) or "no column `flow_m3s`"
        refused = f"{member.trace}: {why}: give the mean flow"
        return FleetResult(member.name, member.trace, refused=refused)
    prices = prices_of(member.setpoints.air, flow_m3s, member.air_m3, member.fan_efficiency)
    try:
        made = prepare(fit, member.setpoints, prices, plan, candidates)
    except StudyError as error:
        return FleetResult(member.name, member.trace, refused=str(error))
    return FleetResult(member.name, member.trace, made)


def fleet_json(found: Sequence[FleetResult]) -> Iterator[dict[str, Any]]:
    """For programs: one object for each collector, and one for all."""
    for each in found:
        who = {"collector": each.name, "trace": str(each.trace)}
        if each.study is None or each.verdict is None:
            yield {"event": "refused", **who, "reason": each.refused}
        else:
            yield {**who, **as_json(each.study, each.verdict)}
    yield {
        "event": "fleet",
        "label": LABEL,
        "collectors": len(found),
        "refused": sum(each.verdict is None for each in found),
        "to_change": len(_to_change(found)),
        "saving_kwh_per_1000_h": sum(each.saving_kwh.value for each in _to_change(found)),
    }


def fleet_lines(found: Sequence[FleetResult]) -> Iterator[str]:
    """For people: the greatest saving first, and last what could not be studied."""
    called = _called(found)
    width = max(len(each) for each in called)
    pairs = list(zip(called, found, strict=True))
    judged = [(name, each.study, made) for name, each in pairs if (made := each.verdict)]
    for name, study, made in sorted(judged, key=lambda one: -_saving(one[2])):
        yield f"{name:<{width}}  {_words(study, made)}"
    for name, each in pairs:
        if each.verdict is None:
            yield f"{name:<{width}}  not studied: {each.refused}"
    if not judged:
        yield f"None of the {len(found)} could be studied."
        return
    changed = _to_change(found)
    kwh = sum(each.saving_kwh.value for each in changed)
    missed = len(found) - len(judged)
    yield (
        f"{len(changed)} of {len(judged)} that were studied are worth changing: {kwh:.0f} kWh in "
        f"1000 hours of running each.{f' {missed} could not be studied.' if missed else ''} "
        f"All of this is {LABEL}."
    )


def _called(found: Sequence[FleetResult]) -> list[str]:
    """Names, with the trace where several collectors have the same."""
    times = Counter(each.name for each in found)
    return [
        each.name if times[each.name] == 1 else f"{each.name} ({each.trace.name})" for each in found
    ]


def _to_change(found: Sequence[FleetResult]) -> list[Verdict]:
    return [m for each in found if (m := each.verdict) is not None and m.best is not None]


def _saving(made: Verdict) -> float:
    return made.saving_kwh.value if made.best is not None else 0.0


def _words(study: Study | None, made: Verdict) -> str:
    assert study is not None
    if made.best is None:
        return made.text[0]
    kwh, lives = made.saving_kwh, made.lives
    life = ""
    if not isinstance(lives, str):
        life = f"; filters remain {lives[0].either} h today, {lives[made.best].either} h so"
    return (
        f"{study.candidates[made.best]}: saves {kwh.value:.0f} kWh ({kwh.low:.0f} to "
        f"{kwh.high:.0f}) in 1000 h; what binds: {made.binding}{life}"
    )
