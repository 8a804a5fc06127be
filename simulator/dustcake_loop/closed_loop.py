"""Plant and decision core in one process: the daemon's own `step` in front of the simulated
collector, far faster than real time.

The core is fed what the daemon would feed it: a poll every `sample_s`, its own wakes, and the
outcome of each command when the output module has carried it out. Wherever the core promises
quiet (`Quiet`) and plant and outputs are steady, the loop leaps over the samples that stay inside
the promise; all they would change is which sample is remembered, so the last of them stands for
all. Memory does not grow with time: nothing is kept of what has passed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.events import Event
from dustcake.core.inputs import (
    CONTACT_NAMES,
    Contacts,
    FailureKind,
    Input,
    Measured,
    Outcome,
    OutputReported,
    PollCompleted,
    ReadFailure,
    Registers,
    Restarted,
    Signal,
    Stamp,
    Woke,
)
from dustcake.core.reading import OVER_SPAN, UNDER_SPAN
from dustcake.core.setpoints import Scale, Setpoints, SignalKind
from dustcake.core.state import State, first_state
from dustcake.core.step import step
from dustcake_sim.encoding import current_ua
from dustcake_sim.instruments import Transmitter
from dustcake_sim.sampling import Band, SampledCollector
from dustcake_sim.scenario import Scenario

FIRST_UTC_S = 1_704_067_200.0
"""When a scenario begins: midnight of Monday, 1 January 2024, UTC."""
_SILENT = ReadFailure(FailureKind.TIMEOUT, "the simulated device does not answer")
_NO_ANSWER_S = 1.0
"""Time after which a command to a silent device has failed, s."""


@dataclass(slots=True)
class _Due:
    """An outcome still to come. `valve`: the one that is energised until then."""

    at_s: float
    command_id: int
    outcome: Outcome
    detail: str = ""
    valve: int | None = None


class ClosedLoop:
    """One collector under one set of settings.

    `leaping` False takes every sample one by one: slow, and what leaping must agree with.
    """

    def __init__(
        self,
        scenario: Scenario,
        setpoints: Setpoints,
        *,
        sample_s: float = 1.0,
        seed: int = 0,
        leaping: bool = True,
    ) -> None:
        """Raises ValueError when the settings do not fit the scenario's collector."""
        valves, rows = len(setpoints.pulsing.order), scenario.plant.rows
        if valves != rows:
            raise ValueError(
                f"the settings have {valves} valves and the scenario's collector {rows} rows"
            )
        self.field = SampledCollector(scenario, sample_s, seed)
        self.samples = 0
        """Samples so far, leapt ones included."""
        self.steps = 0
        """Calls of the core's `step` so far."""
        self.longest_leap_s = math.inf
        """No leap is longer, so that whoever watches sees what is slow. Changes no event."""
        self._setpoints = setpoints
        self._leaping = leaping
        self._state: State = first_state(setpoints, self._stamp(0.0))
        self._wake_s: float | None = None
        self._due: list[_Due] = []
        self._contacts = Contacts()
        self._begun = False
        settings, pulsing = self.field.outputs.settings, setpoints.pulsing
        settings.one_shot_s = settings.sequencer_on_s = pulsing.on_time_s
        settings.sequencer_interval_s = pulsing.sequencer_cycle_s / valves

    @property
    def t_s(self) -> float:
        """Time, s from the start."""
        return self.field.t_s

    @property
    def state(self) -> State:
        """What the core remembers."""
        return self._state

    def events(
        self, until_s: float, watch: Callable[[ClosedLoop], None] = lambda _: None
    ) -> Iterator[Event]:
        """What happens up to `until_s`, in order. `watch` is called whenever time has moved."""
        field = self.field
        if not self._begun:
            self._begun = True
            yield from self._happens(Restarted(self._stamp(0.0)))
        while True:
            at_s = min(field.next_change_s(), self._next_input_s())
            if at_s > until_s:
                field.advance_to(until_s)
                watch(self)
                return
            field.advance_to(at_s)
            yield from self._inputs()
            watch(self)
            if self._leaping and self._leap(until_s):
                watch(self)

    def _next_input_s(self) -> float:
        due_s = self._due[0].at_s if self._due else math.inf
        wake_s = math.inf if self._wake_s is None else max(self._wake_s, self.field.t_s)
        return min(due_s, wake_s, self.field.next_sample_s)

    def _inputs(self) -> Iterator[Event]:
        """Everything that reaches the core at this very time."""
        now_s = self.field.t_s
        while self._due and self._due[0].at_s <= now_s:
            due = self._due.pop(0)
            yield from self._happens(
                OutputReported(self._stamp(now_s), due.command_id, due.outcome, due.detail)
            )
        if self.field.next_sample_s <= now_s:
            yield from self._happens(self._poll())
        elif self._wake_s is not None and self._wake_s <= now_s:
            yield from self._happens(Woke(self._stamp(now_s)))

    def _happens(self, happened: Input) -> Iterator[Event]:
        self.steps += 1
        done = step(self._state, happened, self._setpoints)
        self._state, self._wake_s = done.state, done.wake_at_s
        for command in done.commands:
            self._carry_out(command)
        yield from done.events

    # --- what the core sees

    def _poll(self) -> PollCompleted:
        """The sample that is due, as the daemon would read it."""
        at, one = self._stamp(self.field.t_s), self.field.collector
        self.field.sample()
        self.samples += 1
        fitted_header = self._setpoints.header
        if one.fieldbus_silent:
            return PollCompleted(at, _SILENT, Contacts(), _SILENT if fitted_header else None)
        header = None if fitted_header is None else _signal(one.header, fitted_header)
        return PollCompleted(at, _signal(one.dp, self._setpoints.dp), self._read_contacts(), header)

    def _read_contacts(self) -> Contacts:
        """The very same object serves until a contact changes: the core need not compare then."""
        one, fitted = self.field.collector, self._setpoints.fitted
        made = {
            **one.contacts,
            "blower_running": one.blower_running(self.field.outputs.blower_request),
            "process_running": one.contacts["process_equipment"],
            "drum_full": one.drum_full(),
            "stop": False,  # no scenario has it
        }
        read = Contacts(
            **{name: made[name] if getattr(fitted, name) else None for name in CONTACT_NAMES}
        )
        if read != self._contacts:
            self._contacts = read
        return self._contacts

    # --- what the core wants done

    def _carry_out(self, command: Command) -> None:
        now_s, outputs = self.field.t_s, self.field.outputs
        due = _Due(now_s, command.command_id, Outcome.DONE)
        if self.field.collector.fieldbus_silent:
            due = _Due(now_s + _NO_ANSWER_S, command.command_id, Outcome.FAILED, _SILENT.detail)
        elif isinstance(command, FireValve):
            outputs.settings.one_shot_s = command.on_time_s
            outputs.switch_valves({}, {command.valve - 1: True}, now_s)
            due.at_s, due.valve = now_s + command.on_time_s, command.valve
        elif isinstance(command, SetDemand):
            outputs.switch_demand(command.closed, now_s)
        elif isinstance(command, AllValvesOff):
            outputs.switch_all_off(now_s)
            for pending in self._due:
                if pending.valve is not None:
                    pending.at_s, pending.outcome = now_s, Outcome.ENDED_EARLY
        else:
            assert isinstance(command, SetBlowerRun)
            outputs.blower_request = command.run
        self._due = sorted([*self._due, due], key=lambda each: each.at_s)

    # --- the leaps

    def _leap(self, until_s: float) -> bool:
        """Go past the samples that the core's promise covers, and remember the last of them.

        Whether there were any.
        """
        quiet, setpoints = self._state.quiet, self._setpoints
        if quiet is None or self._due or self.field.collector.fieldbus_silent:
            return False
        if self._read_contacts() != self._state.contacts:  # the next sample has news
            return False
        limit_s = min(until_s, self.field.next_change_s(), self.field.t_s + self.longest_leap_s)
        limit_s = min(limit_s, self._state.next_check_s)
        if quiet.until_s is not None:
            limit_s = min(limit_s, quiet.until_s)
        last = math.ceil(limit_s / self.field.sample_s) - 1
        if last * self.field.sample_s >= limit_s:  # the division was rounded up
            last -= 1
        first = self.field.next_sample
        if last < first:
            return False
        zero_pa = self._state.zero.offset_pa
        dp = _band(quiet.low_pa, quiet.high_pa, setpoints.dp, zero_pa)
        header = None
        if setpoints.header is not None:
            header = _band(quiet.header_low_pa, quiet.header_high_pa, setpoints.header, 0.0)
        if not self.field.leap(last, dp, header):
            return False
        self.samples += self.field.next_sample - first - 1
        self.field.next_sample -= 1
        self._remember(self._poll())
        return True

    def _remember(self, poll: PollCompleted) -> None:
        """A sample within the promise: it leads to nothing, or the promise was broken."""
        self.steps += 1
        done = step(self._state, poll, self._setpoints)
        if done.events or done.commands:
            raise AssertionError(f"the core broke its promise of quiet at {poll.at.mono_s} s")
        self._state, self._wake_s = done.state, done.wake_at_s

    def _stamp(self, t_s: float) -> Stamp:
        return Stamp(t_s, FIRST_UTC_S + t_s)


def _signal(transmitter: Transmitter, scale: Scale) -> Signal:
    """What the daemon reads of a transmitter: its loop current where it reads that, else Pa."""
    if scale.kind is not SignalKind.CURRENT:
        return Measured(transmitter.value)
    spec = transmitter.spec
    forced_ma = transmitter.forced_current_ma
    current_ma = current_ua(transmitter.value, spec.span_low, spec.span_high, forced_ma) / 1000.0
    return Registers((round(current_ma / scale.ma_per_count),))


def _band(low_pa: float | None, high_pa: float | None, scale: Scale, zero_pa: float) -> Band:
    """The promise in terms of what the transmitter reads; where it is open, what it can read."""
    low_span_pa, high_span_pa = scale.span_low_pa, scale.span_high_pa
    span_pa = high_span_pa - low_span_pa
    lowest, highest = low_span_pa + UNDER_SPAN * span_pa, high_span_pa + OVER_SPAN * span_pa
    return Band(
        lowest if low_pa is None else max(lowest, low_pa + zero_pa),
        highest if high_pa is None else min(highest, high_pa + zero_pa),
    )
