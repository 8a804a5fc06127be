"""Settings worth trying, and what each would cost."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from itertools import product
from statistics import fmean

from dustcake.core.record import record
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Air, OutputKind, Pulsing, Setpoints
from dustcake_lab.study.loop import RunTotals

_STEPS, _STEPS_OF_A_BOARD = 8, 24
FULL_PULSE_S = 0.12
"""Open this long, a pulse is as good as it gets: peak pressure inside a pleated filter levelled off
near 0.12 s in a laboratory (Atmosphere 14, 1173, 2023; excerpt). Taken to rise in proportion."""


@record
class Candidate:
    """What is varied. ``low_pa`` and ``high_pa`` None when timed; ``interval_s`` and ``on_time_s``
    None where they belong to a sequencer board, whose contact timed cleaning keeps closed."""

    mode: Mode
    low_pa: float | None
    high_pa: float | None
    interval_s: float | None = None
    on_time_s: float | None = None

    def __str__(self) -> str:
        demand = self.low_pa is not None and self.high_pa is not None
        span = f"on demand, {self.low_pa:.0f} to {self.high_pa:.0f} Pa" if demand else ""
        if self.interval_s is None:
            return span or "timed, the contact of the sequencer board closed all the time"
        pulse = f"on-time {self.on_time_s:g} s"
        if demand:
            return f"{span}, interval {self.interval_s:g} s, {pulse}"
        return f"timed, one pulse every {self.interval_s:g} s, {pulse}"

    def applied(self, setpoints: Setpoints) -> Setpoints:
        """The settings with this in them, and without what the loop does not simulate."""
        cleaning = replace(setpoints.cleaning, mode=self.mode)
        pulsing = setpoints.pulsing
        if self.on_time_s is not None:
            pulsing = replace(pulsing, on_time_s=self.on_time_s)
        if self.low_pa is not None and self.high_pa is not None:
            cleaning = replace(cleaning, low_pa=self.low_pa, high_pa=self.high_pa)
            pulsing = replace(pulsing, interval_s=self.interval_s or pulsing.interval_s)
        elif self.interval_s is not None:
            cleaning = replace(cleaning, timed_interval_s=self.interval_s)
            pulsing = replace(pulsing, interval_s=min(pulsing.interval_s, self.interval_s))
        return replace(setpoints, cleaning=cleaning, pulsing=pulsing)

    def on_time_over(self, other: "Candidate") -> float:
        """On-time over that of another; 1 where a board has it."""
        return (self.on_time_s or 1.0) / (other.on_time_s or 1.0)

    def effect_over(self, other: "Candidate") -> float:
        """What a pulse takes off over what it takes off with another's on-time."""
        mine_s, other_s = (each.on_time_s or FULL_PULSE_S for each in (self, other))
        return min(mine_s, FULL_PULSE_S) / min(other_s, FULL_PULSE_S)


def from_to(name: str, low: float, high: float) -> str:
    """A range of a setting, in words; ``name`` with its unit, as ``low_pa``."""
    what, _, unit = name.rpartition("_")
    unit = "Pa" if unit == "pa" else unit
    span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return f"{what.replace('on_time', 'on-time')} {span} {unit}"


def board_interval_s(pulsing: Pulsing) -> float | None:
    """Seconds from pulse to pulse of a sequencer board; None where there is none. A full cycle of
    it counts as one pulse of one row, since nothing reports its rows."""
    if pulsing.kind is not OutputKind.DEMAND_CONTACT:
        return None
    return pulsing.sequencer_cycle_s / len(pulsing.order)


def present(setpoints: Setpoints) -> Candidate:
    """Today's settings."""
    cleaning, pulsing = setpoints.cleaning, setpoints.pulsing
    timed = cleaning.mode is Mode.TIMED
    mode = Mode.TIMED if timed else Mode.ON_DEMAND
    low_pa, high_pa = (None, None) if timed else (cleaning.low_pa, cleaning.high_pa)
    if board_interval_s(pulsing) is not None:
        return Candidate(mode, low_pa, high_pa)
    interval_s = cleaning.timed_interval_s if timed else pulsing.interval_s
    return Candidate(mode, low_pa, high_pa, interval_s, pulsing.on_time_s)


def grid(
    setpoints: Setpoints, residual_pa: float, most_dp_pa: float, shortest_interval_s: float
) -> Iterator[Candidate]:
    """Some two hundred candidates. On demand: high set points from a little above the residual dP
    to the highest allowed, each with several low ones, two intervals, two on-times; timed:
    intervals from a quarter of a minute to two hours. Of a sequencer board only what is not its
    own: set points in finer steps, and its contact closed for good."""
    today = present(setpoints)
    if today.interval_s is None or today.on_time_s is None:
        for low_pa, high_pa in _set_points(residual_pa, most_dp_pa, _STEPS_OF_A_BOARD):
            yield Candidate(Mode.ON_DEMAND, low_pa, high_pa)
        yield Candidate(Mode.TIMED, None, None)
        return
    on_times = sorted({today.on_time_s, max(FULL_PULSE_S, today.on_time_s / 2.0)})
    intervals = sorted({max(shortest_interval_s, each) for each in (today.interval_s, 10.0, 30.0)})
    set_points = _set_points(residual_pa, most_dp_pa, _STEPS)
    for (low_pa, high_pa), interval_s, on_time_s in product(set_points, intervals, on_times):
        yield Candidate(Mode.ON_DEMAND, low_pa, high_pa, interval_s, on_time_s)
    seconds = max(15.0, shortest_interval_s)
    while seconds <= 7200.0:
        for on_time_s in on_times:
            yield Candidate(Mode.TIMED, None, None, round(seconds), on_time_s)
        seconds *= 1.6


def _set_points(residual_pa: float, most_dp_pa: float, steps: int) -> Iterator[tuple[float, float]]:
    """Low and high, Pa."""
    bottom_pa = 1.08 * residual_pa
    for n in range(1, steps + 1):
        high_pa = bottom_pa + (most_dp_pa - bottom_pa) * n / steps
        for share in (0.25, 0.5, 0.75, 0.9):
            yield round(bottom_pa + (high_pa - bottom_pa) * share), round(high_pa)


@record
class Prices:
    """What turns a simulated time into energy. ``flow_m3s``: mean flow; ``own_air_m3``: free air of
    a pulse with today's on-time, where it is another than the rated one of ``air``;
    ``fan_efficiency``: fan, motor and drive together."""

    air: Air
    flow_m3s: float
    own_air_m3: float | None
    fan_efficiency: float

    @property
    def air_m3(self) -> float:
        """Free air of a pulse with today's on-time."""
        return self.air.rated_pulse_m3 if self.own_air_m3 is None else self.own_air_m3


@dataclass(slots=True)
class CandidateResult:
    """What one candidate came to under one set of parameters, for each 1000 hours of running."""

    fan_kwh: float
    air_kwh: float
    pulses: float
    runs: float
    mean_dp_pa: float
    highest_dp_pa: float
    least_flow: float
    mean_flow: float
    alarms: tuple[str, ...]
    days: float

    @property
    def kwh(self) -> float:
        """Fan and air together."""
        return self.fan_kwh + self.air_kwh


def averaged(results: Sequence[CandidateResult]) -> CandidateResult:
    """The means over the sets of parameters, with the alarms of all of them."""
    names = [one.name for one in fields(CandidateResult) if one.name != "alarms"]
    means = {name: fmean(getattr(each, name) for each in results) for name in names}
    return CandidateResult(**means, alarms=tuple(sorted({a for r in results for a in r.alarms})))


def result_of(
    totals: RunTotals, candidate: Candidate, today: Candidate, prices: Prices
) -> CandidateResult:
    """What a simulated time comes to. Fan: P = Q dP / efficiency, the filters' part of it only."""
    hours = max(totals.running_s / 3600.0, 1e-9)
    fan_kwh = prices.flow_m3s * totals.fan_pa_s / prices.fan_efficiency / 3.6e6
    air_m3 = totals.pulses * prices.air_m3 * candidate.on_time_over(today)
    each = 1000.0 / hours
    return CandidateResult(
        fan_kwh=fan_kwh * each,
        air_kwh=air_m3 * prices.air.energy_kwh_per_m3 * each,
        pulses=totals.pulses * each,
        runs=totals.runs * each,
        mean_dp_pa=totals.dp_run_pa_s / max(totals.running_s, 1e-9),
        highest_dp_pa=totals.highest_dp_pa,
        least_flow=totals.least_flow,
        mean_flow=totals.flow_s / max(totals.running_s, 1e-9),
        alarms=tuple(sorted(totals.alarms)),
        days=totals.days,
    )
