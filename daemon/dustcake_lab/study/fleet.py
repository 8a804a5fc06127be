"""A study of many collectors: fitted side by side, and then simulated all together."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from dustcake.adapters.store import StoreRefused
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.fit.data import TooThinError, UnknownZoneError
from dustcake_lab.fit.trace import fit_trace
from dustcake_lab.study.candidates import Candidate, Prices
from dustcake_lab.study.jobs import Plan, StudyError
from dustcake_lab.study.recommendation import LABEL, Recommendation, recommended
from dustcake_lab.study.results import as_json
from dustcake_lab.study.study import Study, prepare, simulate
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
    """What came of one: a study with its recommendation, or ``refused``, why there is none."""

    name: str
    trace: Path
    study: Study | None = None
    recommendation: Recommendation | None = None
    refused: str = ""

    @property
    def saving_kwh(self) -> float:
        """What a change would save in 1000 hours; 0 where none is recommended."""
        made = self.recommendation
        return 0.0 if made is None or made.best is None else made.saving_kwh.value


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

    fits = Parallel(n_jobs=-1)(delayed(_fitted)(each, zone) for each in members)
    found = [_prepared(*each, plan, candidates) for each in zip(members, fits, strict=True)]
    simulate([each.study for each in found if each.study is not None], plan.dask)
    for each in found:
        if each.study is not None:
            each.recommendation = recommended(each.study)
    return found


def _fitted(member: Member | FleetResult, zone: ZoneInfo | None) -> FittedCollector | str:
    """The collector, or why there is none."""
    if isinstance(member, FleetResult):
        return member.refused
    try:
        return fit_trace(member.trace, member.setpoints, zone).collector
    except (TraceError, TooThinError, UnknownZoneError, StoreRefused) as error:
        return f"{member.trace}: {error}"


def _prepared(
    member: Member | FleetResult,
    fit: FittedCollector | str,
    plan: Plan,
    candidates: Sequence[Candidate] | None,
) -> FleetResult:
    if isinstance(member, FleetResult) or isinstance(fit, str):
        return FleetResult(member.name, member.trace, refused=str(fit))
    flow_m3s = member.flow_m3s or fit.flow_m3s
    if flow_m3s is None:
        why = "; ".join(fit.notes) or "no column `flow_m3s`"
        refused = f"{member.trace}: {why}: give the mean flow"
        return FleetResult(member.name, member.trace, refused=refused)
    prices = Prices(member.setpoints.air, flow_m3s, member.air_m3, member.fan_efficiency)
    try:
        made = prepare(fit, member.setpoints, prices, plan, candidates)
    except StudyError as error:
        return FleetResult(member.name, member.trace, refused=str(error))
    return FleetResult(member.name, member.trace, made)


def fleet_json(found: Sequence[FleetResult]) -> Iterator[dict[str, Any]]:
    """For programs: one object for each collector, and one for all."""
    for each in found:
        who = {"collector": each.name, "trace": str(each.trace)}
        if each.study is None or each.recommendation is None:
            yield {"event": "refused", **who, "reason": each.refused}
        else:
            yield {**who, **as_json(each.study, each.recommendation)}
    savings = _savings_kwh(found)
    yield {
        "event": "fleet",
        "label": LABEL,
        "collectors": len(found),
        "refused": sum(each.recommendation is None for each in found),
        "to_change": len(savings),
        "saving_kwh_per_1000_h": sum(savings),
    }


def fleet_lines(found: Sequence[FleetResult]) -> Iterator[str]:
    """For people: the greatest saving first, and last what could not be studied."""
    called = _called(found)
    width = max(len(each) for each in called)
    last = [(each.recommendation is None, -each.saving_kwh) for each in found]
    for _, name, each in sorted(zip(last, called, found, strict=True), key=itemgetter(0)):
        yield f"{name:<{width}}  {_words(each)}"
    missed = sum(each.recommendation is None for each in found)
    if missed == len(found):
        yield f"None of the {len(found)} could be studied."
        return
    savings = _savings_kwh(found)
    yield (
        f"{len(savings)} of {len(found) - missed} that were studied are worth changing: "
        f"{sum(savings):.0f} kWh in 1000 hours of running each."
        f"{f' {missed} could not be studied.' if missed else ''} All of this is {LABEL}."
    )


def _called(found: Sequence[FleetResult]) -> list[str]:
    """Names, with the trace where several collectors have the same."""
    times = Counter(each.name for each in found)
    return [
        each.name if times[each.name] == 1 else f"{each.name} ({each.trace.name})" for each in found
    ]


def _savings_kwh(found: Sequence[FleetResult]) -> list[float]:
    """What those save that are worth changing."""
    return [saving for each in found if (saving := each.saving_kwh)]


def _words(of: FleetResult) -> str:
    study, made = of.study, of.recommendation
    if study is None or made is None:
        return f"not studied: {of.refused}"
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
