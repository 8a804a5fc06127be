"""A collector driven without a loop or a clock: feeds inputs, keeps the wakes, answers commands."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import count
from math import inf
from typing import Any, TypedDict, TypeVar, Unpack

from dustcake.core.alarms.names import Alarm, AlarmName, AlarmSetting, Priority
from dustcake.core.commands import Command
from dustcake.core.events import AlarmChanged, Body, Event, PulseFired, RequestAnswered
from dustcake.core.inputs import (
    Contacts,
    FailureKind,
    Input,
    JournalReported,
    Measured,
    OperatorRequested,
    Outcome,
    OutputReported,
    PollCompleted,
    ReadFailure,
    RequestRefused,
    Restarted,
    Signal,
    Stamp,
    Stopping,
    Woke,
)
from dustcake.core.reasons import Because, Reason
from dustcake.core.requests.kinds import Identity, Mode, Request
from dustcake.core.setpoints import (
    AlarmLimits,
    AlarmRules,
    Blower,
    BlowerRequest,
    Cleaning,
    FanPlace,
    Fitted,
    HeaderLimits,
    OnBadReading,
    OutputKind,
    PulseResponseSetting,
    Pulsing,
    Scale,
    Setpoints,
    SignalKind,
    ValidationSetting,
    Zeroing,
)
from dustcake.core.state import State, first_state
from dustcake.core.step import Step, step

B = TypeVar("B", bound=Body)
C = TypeVar("C", bound=Command)


class ContactChanges(TypedDict, total=False):
    """Contacts by name, None where one cannot be read."""

    blower_running: bool | None
    smoke: bool | None
    door_open: bool | None
    process_running: bool | None
    stop: bool | None
    drum_full: bool | None


ALARM_ON_S, ALARM_OFF_S = 10.0, 20.0
FIRST_UTC_S = 1_800_000_000.0
LOST = ReadFailure(FailureKind.TIMEOUT, "no reply")
DP_SCALE = Scale(SignalKind.FLOAT32, 0.0, 1.0, 0.0, 2500.0)
HEADER_SCALE = Scale(SignalKind.FLOAT32, 0.0, 1.0, 0.0, 1_000_000.0)
ALL_FITTED = Fitted(True, True, True, True, True, True)

BASE = Setpoints(
    collector="bay 3",
    dp=DP_SCALE,
    header=None,
    header_limits=HeaderLimits(400_000.0, 800_000.0),
    fitted=Fitted(),
    stale_after_s=5.0,
    settle_s=3.0,
    outputs_retry_s=10.0,
    cleaning=Cleaning(
        mode=Mode.ON_DEMAND,
        low_pa=750.0,
        high_pa=1000.0,
        on_delay_s=0.0,
        finish_cycle=False,
        max_cycles=3,
        rest_s=300.0,
        timed_interval_s=15.0,
        on_bad_reading=OnBadReading.TIMED,
        fallback_delay_s=30.0,
        fallback_interval_s=60.0,
        downtime=False,
        downtime_spin_down_s=90.0,
        downtime_passes=2,
        downtime_min_run_s=600.0,
    ),
    pulsing=Pulsing(OutputKind.VALVES_ONE_SHOT, (2, 4, 1, 3), 0.15, 10.0, 2.0, 40.0),
    alarms=tuple(
        AlarmSetting(name, True, ALARM_ON_S, ALARM_OFF_S, Priority.MEDIUM) for name in AlarmName
    ),
    limits=AlarmLimits(1250.0, 2, 1500.0, 75.0, 60.0, 60.0),
    alarm_rules=AlarmRules(3600.0, 600.0, 60.0, 3),
    zeroing=Zeroing(12.0, 5.0, 30.0),
    blower=Blower(BlowerRequest.NONE, 0.0, 50.0),
    # Doubts and diagnosis have tests of their own; elsewhere dP may do as it likes.
    signal_validation=ValidationSetting(
        FanPlace.DOWNSTREAM, inf, 3.0, 0.02, 0.0, 12.0, 0.0, 0.0, 6.0, inf
    ),
    pulse_response=PulseResponseSetting(0.0, 0.9, 0.6, 600.0),
)


def chosen(base: Setpoints = BASE, **changes: Any) -> Setpoints:
    """``base`` with changes; a mapping changes fields within a section."""
    return replace(
        base,
        **{
            name: replace(getattr(base, name), **value) if isinstance(value, Mapping) else value
            for name, value in changes.items()
        },
    )


def board(**changes: Any) -> Setpoints:
    """Set points of a collector pulsed by a sequencer board, 40 s for a full cycle."""
    return chosen(chosen(pulsing={"kind": OutputKind.DEMAND_CONTACT}), **changes)


def with_header(**changes: Any) -> Setpoints:
    """Set points of a collector with a header transmitter."""
    return chosen(chosen(header=HEADER_SCALE), **changes)


def done(_command: Command) -> Outcome | None:
    """Everything commanded is carried out."""
    return Outcome.DONE


def answering(**outcomes: Outcome | None) -> Callable[[Command], Outcome | None]:
    """Outcomes by the name of the command's class, None for no report; the others are done."""
    return lambda command: outcomes.get(type(command).__name__, Outcome.DONE)


class Collector:
    """One collector and its history.

    ``outcome`` says how each command ends, None for a report that does not come. ``contacts`` and
    ``header`` are what every poll brings until changed.
    """

    def __init__(
        self,
        setpoints: Setpoints = BASE,
        *,
        state: State | None = None,
        outcome: Callable[[Command], Outcome | None] = done,
        decide: Callable[[State, Input, Setpoints], Step] = step,
        **contacts: Unpack[ContactChanges],
    ) -> None:
        self.setpoints = setpoints
        self.decide = decide
        self.outcome = outcome
        self.contacts = Contacts(**contacts)
        self.header: Signal | None = None if setpoints.header is None else Measured(600_000.0)
        self.t = 0.0
        self.log: list[Event] = []
        self.commands: list[tuple[float, Command]] = []
        self.last: Step = Step(state or first_state(setpoints, self.now), (), (), None)
        self.feed(Restarted(self.now))

    @property
    def now(self) -> Stamp:
        return Stamp(self.t, FIRST_UTC_S + self.t)

    @property
    def state(self) -> State:
        return self.last.state

    @property
    def because(self) -> Because:
        return self.last.state.decision.reason.code

    @property
    def bodies(self) -> list[Body]:
        return [event.body for event in self.log]

    @property
    def pulses(self) -> list[tuple[float, int]]:
        """When which valve was reported fired."""
        return [(t, pulse.valve) for t, pulse in self.when(PulseFired)]

    def is_cleaning(self) -> bool:
        return self.state.cleaning.run is not None

    def when(self, body: type[B]) -> list[tuple[float, B]]:
        """The events of one kind, with their times."""
        return [(e.at.mono_s, e.body) for e in self.log if isinstance(e.body, body)]

    def of(self, body: type[B]) -> list[B]:
        """The events of one kind."""
        return [each for each in self.bodies if isinstance(each, body)]

    def sent(self, command: type[C]) -> list[tuple[float, C]]:
        """The commands of one kind, with their times."""
        return [(t, each) for t, each in self.commands if isinstance(each, command)]

    def alarm(self, name: AlarmName) -> Alarm:
        return next(each for each in self.state.alarms if each.name is name)

    def alarm_changes(self, name: AlarmName) -> list[tuple[float, str]]:
        """When an alarm went into which state."""
        return [(t, alarm.state) for t, alarm in self.when(AlarmChanged) if alarm.alarm == name]

    def met(self, name: str) -> str:
        return next(p.met for p in self.last.state.decision.permissives if p.name == name)

    def feed(self, happened: Input) -> Step:
        """Feed one input, and the reports of what it led to. Returns that input's own step."""
        fed = self._take(happened)
        pending = list(fed.commands)
        for reports in count():
            if not pending:
                break
            assert reports < 50, "commands without end at one instant"
            command = pending.pop(0)
            outcome = self.outcome(command)
            if outcome is not None:
                report = OutputReported(self.now, command.command_id, outcome)
                pending.extend(self._take(report).commands)
        return fed

    def _take(self, happened: Input) -> Step:
        self.last = self.decide(self.state, happened, self.setpoints)
        self.log.extend(self.last.events)
        self.commands.extend((self.t, command) for command in self.last.commands)
        return self.last

    def advance(self, until_s: float) -> None:
        """Let time pass, waking the core whenever it asked to be woken."""
        while (wake_at_s := self.last.wake_at_s) is not None and wake_at_s <= until_s:
            self.t = max(self.t, wake_at_s)
            self.feed(Woke(self.now))
            after_s = self.last.wake_at_s
            assert after_s is None or after_s > self.t, (
                "asked to be woken at a time that has passed"
            )
        self.t = until_s

    def wait(self, for_s: float) -> "Collector":
        """Nothing is read for so long."""
        self.advance(self.t + for_s)
        return self

    def poll(
        self, dp: float | Signal, *, after_s: float = 1.0, **contacts: Unpack[ContactChanges]
    ) -> Step:
        """The next poll; contacts named here stay as they are now."""
        self.advance(self.t + after_s)
        self.contacts = replace(self.contacts, **contacts)
        signal = Measured(float(dp)) if isinstance(dp, int | float) else dp
        return self.feed(PollCompleted(self.now, signal, self.contacts, self.header))

    def hold(
        self, dp: float | Signal, for_s: float, **contacts: Unpack[ContactChanges]
    ) -> "Collector":
        """Polls once a second for so long, all alike."""
        for _ in range(round(for_s)):
            self.poll(dp, **contacts)
        return self

    def ask(self, request: Request, request_id: str = "", by: str = "day shift") -> RequestAnswered:
        """A request; returns its answer."""
        request_id = request_id or f"request {len(self.log)}"
        asked = self.feed(OperatorRequested(self.now, request, by, request_id))
        return next(e.body for e in asked.events if isinstance(e.body, RequestAnswered))

    def refuse(self, reason: Reason) -> RequestAnswered:
        """A request that is not let in; returns what is told of it."""
        refused = RequestRefused(self.now, "mode", "mqtt:kim", "r1", Identity.CLAIMED, reason)
        return next(
            e.body for e in self.feed(refused).events if isinstance(e.body, RequestAnswered)
        )

    def report(self, command: Command, outcome: Outcome, detail: str = "") -> Step:
        """Report the outcome of a command by hand."""
        return self.feed(OutputReported(self.now, command.command_id, outcome, detail))

    def journal(self, writable: bool, detail: str = "") -> Step:
        return self.feed(JournalReported(self.now, writable, detail))

    def stop(self) -> Step:
        return self.feed(Stopping(self.now))

    def restart(
        self, *, settings: Setpoints | None = None, downtime_s: float | None = 60.0
    ) -> Step:
        """The daemon dies and starts again: the monotonic clock begins anew."""
        self.setpoints = settings or self.setpoints
        self.t = 0.0
        return self.feed(Restarted(self.now, downtime_s))


def ready(setpoints: Setpoints = BASE, **contacts: Unpack[ContactChanges]) -> Collector:
    """A collector that has settled and may pulse at once, with dP between the set points."""
    collector = Collector(setpoints, **contacts)
    return collector.hold(800.0, max(setpoints.settle_s, setpoints.pulsing.interval_s) + 1)


def running(setpoints: Setpoints = BASE, **contacts: Unpack[ContactChanges]) -> Collector:
    """The same with every contact fitted, the blower proved running and all else in order."""
    in_order: ContactChanges = {
        "blower_running": True,
        "smoke": False,
        "door_open": False,
        "process_running": True,
        "stop": False,
        "drum_full": False,
    }
    in_order.update(contacts)
    return ready(replace(setpoints, fitted=ALL_FITTED), **in_order)
