"""A fitted collector and the daemon's own decision core in one loop, from event to event.

Rows load in closed form between two samples that matter; the core's promise of quiet says which do.
Simulated: no header, no noise of the reading, outputs that always do what is commanded.
"""

from collections import deque
from dataclasses import dataclass, field
from math import ceil, inf, sqrt
from random import Random

from dustcake.core.commands import Command, FireValve, SetDemand
from dustcake.core.events import AlarmChanged, Body, CleaningStarted
from dustcake.core.inputs import (
    Contacts,
    Input,
    Measured,
    Outcome,
    OutputReported,
    PollCompleted,
    Restarted,
    Stamp,
)
from dustcake.core.record import record
from dustcake.core.setpoints import OutputKind, Setpoints
from dustcake.core.state import first_state
from dustcake.core.step import step
from dustcake_lab.traces.leap import leap_after


@record
class RowModel:
    """``load_pa_per_s``, ``residual_pa`` at mean flow; ``removed``, ``scatter``: share of its cake
    that a pulse takes off a row; ``flow_fall_per_pa``: by what part flow falls with each Pa above
    ``mean_dp_pa``."""

    rows: int
    load_pa_per_s: float
    residual_pa: float
    removed: float
    scatter: float
    flow_fall_per_pa: float = 0.0
    mean_dp_pa: float = 0.0


def harmonic(s: list[float]) -> float:
    """The pressure of all rows together at mean flow, Pa."""
    return len(s) / sum([1.0 / each for each in s])


def flow(model: RowModel, h: float) -> float:
    """Flow over mean flow where the rows together stand at ``h``: fan and filters agree on it."""
    fall = model.flow_fall_per_pa
    return (1.0 + fall * model.mean_dp_pa) / (1.0 + fall * h) if fall else 1.0


def mean(s: list[float]) -> float:
    """Mean pressure of the rows, Pa."""
    return sum(s) / len(s)


def _grown(s: list[float], power: float, to_pa: float) -> list[float]:
    """Rows after the square of each has grown by as much as brings their power mean (power 1: the
    mean, -1: the harmonic mean) up to ``to_pa``. By Newton's method on the square of that mean,
    which is concave in what is added: it comes from below and does not overshoot, and each round
    doubles the digits that are right."""
    squares, count, by, left = [each * each for each in s], len(s), 0.0, inf
    while left > 1e-7 * to_pa * to_pa:
        together = (sum([each**power for each in s]) / count) ** (1.0 / power)
        left = to_pa * to_pa - together * together
        by += (
            left * count / (together ** (2.0 - power) * sum([each ** (power - 2.0) for each in s]))
        )
        s = [sqrt(square + by) for square in squares]
    return s


def loaded(s: list[float], added_pa: float) -> list[float]:
    """Rows after the mean of s has grown by ``added_pa``."""
    return _grown(s, 1.0, mean(s) + added_pa) if added_pa > 0.0 else s


def needed_pa(model: RowModel, s: list[float], to_dp_pa: float) -> float:
    """Pa by which the mean of s has to grow until dP reads ``to_dp_pa``; infinite if it never
    does."""
    fall = model.flow_fall_per_pa
    # flow(h) h = to_dp_pa, solved for h
    above = 1.0 + fall * model.mean_dp_pa - fall * to_dp_pa
    if above <= 0.0:
        return inf
    target_pa = to_dp_pa / above
    if harmonic(s) >= target_pa:
        return 0.0
    return mean(_grown(s, -1.0, target_pa)) - mean(s)


def pulsed(model: RowModel, s: list[float], row: int, removed: float) -> list[float]:
    """Rows after a pulse of ``row`` (from 0) that takes off this share of its cake."""
    after = list(s)
    after[row] = model.residual_pa + max(0.0, s[row] - model.residual_pa) * (1.0 - removed)
    return after


_HOUR_S = 3600.0
_SAMPLE_S = 1.0
_LONGEST_PIECE_S = 900.0
_BLOWER_OFF = Contacts(blower_running=False)
_BLOWER_ON = Contacts(blower_running=True)
_UNFITTED = Contacts()


@dataclass(slots=True)
class RunTotals:
    """What a simulated time came to. ``dp_run_pa_s``: dP times running time; ``fan_pa``: dP times
    flow over mean flow, times running time; ``flow_s``: flow over mean flow, times running time."""

    days: float = 0.0
    running_s: float = 0.0
    dp_run_pa_s: float = 0.0
    fan_pa_s: float = 0.0
    flow_s: float = 0.0
    highest_dp_pa: float = 0.0
    least_flow: float = inf
    pulses: int = 0
    runs: int = 0
    alarms: set[str] = field(default_factory=set)
    curve: list[tuple[float, float]] = field(default_factory=list)


def _stamp(t_s: float) -> Stamp:
    return Stamp(t_s, t_s)  # any day will do, but the clock is set


def _within_hours(running: list[float]) -> list[tuple[float, float]]:
    """From when to when the blower runs in each hour, s: in one piece, next to that neighbour in
    which it runs longer, so that a shift that begins within an hour is one start."""
    found = []
    for n, share in enumerate(running):
        ran_s = float(round(share * _HOUR_S))
        later = running[(n + 1) % len(running)] > running[n - 1]
        begin_s = _HOUR_S - ran_s if later else 0.0
        found.append((begin_s, begin_s + ran_s))
    return found


class StudyLoop:
    """One collector under one set of settings."""

    def __init__(
        self,
        model: RowModel,
        setpoints: Setpoints,
        by_hour: list[float],
        running: list[float],
        seed: int,
    ) -> None:
        """``by_hour``: load of each hour of the day over the mean one; ``running``: share of each
        hour that the blower runs, from a midnight on, over and over: whole days."""
        self.totals = RunTotals()
        self.keep_curve_s = 0.0
        """How much of the beginning to keep as a curve, s."""
        self._model, self._setpoints = model, setpoints
        self._by_hour, self._on_s = by_hour, _within_hours(running)
        self._random = Random(seed)
        self._t_s = 0.0
        self._demand = False
        self._board_next_s, self._board_row = inf, 0
        start = max(setpoints.cleaning.low_pa, 1.05 * model.residual_pa)
        self._s = [start] * model.rows
        self._together()
        self._fitted = setpoints.fitted.blower_running
        self._state = first_state(setpoints, _stamp(0.0))
        self._happens(Restarted(_stamp(0.0)))

    def run(self, days: float, most_pulses: int) -> RunTotals:
        """Run so long, or until so many pulses have been fired: whole days, at least one."""
        totals, end_s = self.totals, days * 86_400.0
        while self._t_s < end_s:
            day_end_s = (self._t_s // 86_400.0 + 1.0) * 86_400.0
            while self._t_s < min(day_end_s, end_s):
                self._poll()
                self._leap(min(day_end_s, end_s))
            totals.days = self._t_s / 86_400.0
            if totals.pulses >= most_pulses:
                break
        return totals

    @property
    def _blower_runs(self) -> bool:
        begin_s, end_s = self._on_s[int(self._t_s // _HOUR_S) % len(self._on_s)]
        return begin_s <= self._t_s % _HOUR_S < end_s

    def _next_change_s(self) -> float:
        """When the blower starts or stops, or another hour begins."""
        hour = int(self._t_s // _HOUR_S)
        into_s = self._t_s % _HOUR_S
        ahead = [at_s for at_s in self._on_s[hour % len(self._on_s)] if at_s > into_s]
        return hour * _HOUR_S + min([*ahead, _HOUR_S])

    def _together(self) -> None:
        """Pressure of all rows together at mean flow, and flow over mean flow; after any change of
        a row."""
        self._h = harmonic(self._s)
        self._v = flow(self._model, self._h)

    def _dp_pa(self) -> float:
        return self._v * self._h if self._blower_runs else 0.0

    def _poll(self) -> None:
        contacts = (_BLOWER_ON if self._blower_runs else _BLOWER_OFF) if self._fitted else _UNFITTED
        self._happens(PollCompleted(_stamp(self._t_s), Measured(self._dp_pa()), contacts))
        if self.keep_curve_s > self._t_s:
            self.totals.curve.append((self._t_s, self._dp_pa()))

    def _leap(self, end_s: float) -> None:
        """Go to the next sample that may matter."""
        begun_s = self._t_s
        next_s = begun_s + _SAMPLE_S
        until_s = min(end_s, self._next_change_s(), self._board_next_s)
        leap = leap_after(self._state, self._setpoints, ripple=False)
        until_s = max(next_s, min(until_s, leap.until_s, self._state.next_check_s))
        if self._blower_runs and leap.low_pa < self._dp_pa() < leap.high_pa:
            load = self._load_pa_per_s()
            until_s = min(until_s, begun_s + _LONGEST_PIECE_S)
            if load > 0.0:
                needed = needed_pa(self._model, self._s, leap.high_pa)
                until_s = min(until_s, begun_s + needed / load)
        elif self._blower_runs:
            until_s = next_s
        samples = max(1.0, ceil((until_s - begun_s) / _SAMPLE_S - 1e-9))
        if samples > 1.0:  # the last one that is covered has to be remembered, or it goes stale
            self._advance(begun_s + (samples - 1.0) * _SAMPLE_S)
            self._poll()
        self._advance(begun_s + samples * _SAMPLE_S)

    def _load_pa_per_s(self) -> float:
        hour = int(self._t_s % 86_400.0 // _HOUR_S)
        return self._model.load_pa_per_s * self._by_hour[hour] * self._v

    def _advance(self, to_s: float) -> None:
        """Let time go on: dust lands, a sequencer board pulses by itself."""
        while self._board_next_s <= to_s and self._demand:
            self._grow(self._board_next_s)
            self._pulse(self._board_row)
            self._board_row = (self._board_row + 1) % self._model.rows
            cycle_s = self._setpoints.pulsing.sequencer_cycle_s
            self._board_next_s += cycle_s / self._model.rows
        self._grow(to_s)

    def _grow(self, to_s: float) -> None:
        dt_s = to_s - self._t_s
        if dt_s <= 0.0:
            return
        if self._blower_runs:
            totals, h0, v0 = self.totals, self._h, self._v
            self._s = loaded(self._s, self._load_pa_per_s() * dt_s)
            self._together()
            h1, v1 = self._h, self._v
            totals.running_s += dt_s
            totals.dp_run_pa_s += 0.5 * (v0 * h0 + v1 * h1) * dt_s
            totals.fan_pa_s += 0.5 * (v0 * v0 * h0 + v1 * v1 * h1) * dt_s
            totals.flow_s += 0.5 * (v0 + v1) * dt_s
            totals.highest_dp_pa = max(totals.highest_dp_pa, v1 * h1)
            totals.least_flow = min(totals.least_flow, v1)
        self._t_s = to_s

    def _pulse(self, row: int) -> None:
        model = self._model
        share = min(0.99, max(0.0, self._random.gauss(model.removed, model.scatter)))
        self._s = pulsed(model, self._s, row, share)
        self._together()
        self.totals.pulses += 1

    def _happens(self, happened: Input) -> None:
        waiting = deque([happened])
        while waiting:
            done = step(self._state, waiting.popleft(), self._setpoints)
            self._state = done.state
            for event in done.events:
                self._count(event.body)
            for command in done.commands:
                self._carry_out(command)
                waiting.append(OutputReported(happened.at, command.command_id, Outcome.DONE))

    def _count(self, body: Body) -> None:
        if isinstance(body, CleaningStarted):
            self.totals.runs += 1
        elif isinstance(body, AlarmChanged) and body.state.startswith("unack"):
            self.totals.alarms.add(body.alarm)

    def _carry_out(self, command: Command) -> None:
        if isinstance(command, FireValve):
            self._pulse(command.valve - 1)
        elif isinstance(command, SetDemand):
            board = self._setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT
            self._demand = command.closed and board
            self._board_next_s = self._t_s + _SAMPLE_S if self._demand else inf
