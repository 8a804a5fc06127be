"""What must hold of every history, told from the inputs and commands alone.

The rules are written without the core's own state, so that a wrong belief of the core about what
it has commanded or been told cannot excuse it.
"""

from collections.abc import Sequence

from core.traces import Taken
from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.events import PulseFired, PulseInterrupted, RequestAnswered
from dustcake.core.inputs import (
    JournalReported,
    OperatorRequested,
    Outcome,
    OutputReported,
    PollCompleted,
    Restarted,
    Stopping,
)
from dustcake.core.reading import interpret
from dustcake.core.requests import Mode
from dustcake.core.setpoints import BlowerRequest, OutputKind, Setpoints
from dustcake.core.signals import Contacts

UNKNOWN = Contacts()


class Watcher:
    """Follows one history and objects to the first step that must not be."""

    def __init__(self) -> None:
        self.flying: dict[int, float] = {}  # pulses whose outcome is not known: id and time-out
        self.cut: set[int] = set()  # those that an all-off followed
        self.closed = False  # the demand contact was closed, and not opened since
        self.demand_due_s: dict[int, float] = {}
        self.off: tuple[int, float] | None = None  # the last all-off and its time-out
        self.proved = False
        self.poll: PollCompleted | None = None
        self.journal = True
        self.stopping = False
        self.started_s = self.last_s = 0.0
        self.seq = self.command_id = 1

    def watch(self, taken: Taken) -> None:
        """Take one step in."""
        setpoints, after, now_s = taken.setpoints, taken.after, taken.happened.at.mono_s
        self._numbers(taken)
        assert after.wake_at_s is None or after.wake_at_s > now_s, "woken in the past"
        self._input(taken)
        self._time_outs(setpoints, now_s)
        for command in after.commands:
            self._command(command, taken)
        self._danger(setpoints, now_s)

    def _numbers(self, taken: Taken) -> None:
        for event in taken.after.events:
            assert event.seq == self.seq, "events are numbered without a gap"
            assert event.at == taken.happened.at
            self.seq += 1
        for command in taken.after.commands:
            assert command.command_id == self.command_id, "commands are numbered without a gap"
            self.command_id += 1

    def _input(self, taken: Taken) -> None:
        happened, bodies = taken.happened, [event.body for event in taken.after.events]
        fired = [body for body in bodies if isinstance(body, PulseFired)]
        answered = [body for body in bodies if isinstance(body, RequestAnswered)]
        if isinstance(happened, PollCompleted):
            self.poll = happened
        elif isinstance(happened, JournalReported):
            self.journal = happened.writable
        elif isinstance(happened, Stopping):
            self.stopping = True
        elif isinstance(happened, OperatorRequested):
            assert [body.request_id for body in answered] == [happened.request_id]
            answered = []
        elif isinstance(happened, OutputReported):
            fired = fired[self._report(happened, len(fired)) :]
        elif isinstance(happened, Restarted):
            self._restarted(taken, bodies)
        assert not fired, "a pulse is told only when it is reported"
        assert not answered, "only what was asked is answered"

    def _report(self, report: OutputReported, fired: int) -> int:
        """Returns how many pulses may be told for it."""
        went_well = report.outcome in (Outcome.DONE, Outcome.ENDED_EARLY)
        if self.off is not None and report.command_id == self.off[0]:
            self.off, self.proved = None, report.outcome is Outcome.DONE
            self.closed = self.closed and not self.proved
        elif report.command_id in self.flying:
            del self.flying[report.command_id]
            assert fired == went_well, "every pulse that was fired is told"
            self.proved = self.proved and (went_well or report.outcome is Outcome.WITHHELD)
            return int(went_well)
        elif self.demand_due_s.pop(report.command_id, None) is not None:
            if report.outcome is Outcome.WITHHELD:
                self.closed = not self.closed  # it was never sent
            self.proved = self.proved and (went_well or report.outcome is Outcome.WITHHELD)
        return 0

    def _restarted(self, taken: Taken, bodies: Sequence[object]) -> None:
        interrupted = [body for body in bodies if isinstance(body, PulseInterrupted)]
        assert len(interrupted) == len(self.flying), "an interrupted pulse is told"
        assert isinstance(next(iter(taken.after.commands), None), AllValvesOff), (
            "valves off before all else"
        )
        self.flying, self.cut, self.demand_due_s = {}, set(), {}
        self.poll, self.stopping, self.off, self.proved = None, False, None, False
        self.started_s = self.last_s = taken.happened.at.mono_s

    def _time_outs(self, setpoints: Setpoints, now_s: float) -> None:
        late = [i for i, due_s in (self.flying | self.demand_due_s).items() if now_s >= due_s]
        for command_id in late:
            self.flying.pop(command_id, None)
            self.demand_due_s.pop(command_id, None)
            self.proved = False
        if self.off is not None and now_s >= self.off[1]:
            self.off = None
        poll = self.poll
        if poll is not None and now_s >= poll.at.mono_s + setpoints.stale_after_s:
            self.poll = None

    def _command(self, command: Command, taken: Taken) -> None:
        setpoints, now_s = taken.setpoints, taken.happened.at.mono_s
        timeout_s = setpoints.pulsing.report_timeout_s
        if isinstance(command, AllValvesOff):
            self.off, self.proved = (command.command_id, now_s + timeout_s), False
            self.cut |= self.flying.keys()
        elif isinstance(command, SetBlowerRun):
            self._may_run(command, setpoints)
        elif isinstance(command, SetDemand):
            assert setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT
            assert not self.demand_due_s, "one command at a time"
            self.demand_due_s[command.command_id] = now_s + timeout_s
            if command.closed:
                self._may_pulse(taken)
            self.closed = command.closed
        else:
            self._fire(command, taken)
            due_s = now_s + command.on_time_s + timeout_s
            self.flying[command.command_id], self.last_s = due_s, now_s

    def _fire(self, fire: FireValve, taken: Taken) -> None:
        setpoints, now_s = taken.setpoints, taken.happened.at.mono_s
        cleaning, pulsing = setpoints.cleaning, setpoints.pulsing
        assert pulsing.kind is not OutputKind.DEMAND_CONTACT
        assert not self.flying, "never two valves"
        assert fire.valve in pulsing.order
        assert fire.on_time_s == pulsing.on_time_s
        kind = taken.after.decision.kind
        interval_s = {
            "timed": cleaning.timed_interval_s,
            "fallback": cleaning.fallback_interval_s,
        }.get(str(kind), pulsing.interval_s)
        assert now_s >= self.last_s + interval_s, "the header gets its interval"
        self._may_pulse(taken)

    def _may_pulse(self, taken: Taken) -> None:
        setpoints, now_s, poll = taken.setpoints, taken.happened.at.mono_s, self.poll
        fitted, contacts = setpoints.fitted, UNKNOWN if poll is None else poll.contacts
        kind = taken.after.decision.kind
        assert kind is not None, "no pulse without a run"
        assert self.proved, "outputs proved off before the first pulse and after every fault"
        assert not self._forbidden(setpoints), "nothing forbids it"
        assert not self.stopping
        assert now_s >= self.started_s + setpoints.settle_s
        assert taken.after.state.mode is not Mode.OFF
        if fitted.blower_running:
            assert contacts.blower_running is (kind != "downtime")
        else:
            assert kind in ("on_demand", "timed")
        if kind == "on_demand":
            assert poll is not None
            offset_pa = taken.after.state.zero.offset_pa
            assert interpret(poll.dp, setpoints.dp, offset_pa)[1] == "good"
        if setpoints.header is not None and poll is not None and poll.header is not None:
            pa, quality, _ = interpret(poll.header, setpoints.header, 0.0)
            limits = setpoints.header_limits
            assert pa is None or quality != "good" or limits.min_pa <= pa <= limits.max_pa

    def _may_run(self, command: SetBlowerRun, setpoints: Setpoints) -> None:
        assert setpoints.blower.request is not BlowerRequest.NONE
        if command.run:
            contacts = UNKNOWN if self.poll is None else self.poll.contacts
            assert not contacts.smoke, "never with smoke"
            assert not contacts.stop, "never with the stop input"

    def _forbidden(self, setpoints: Setpoints) -> bool:
        fitted, contacts = setpoints.fitted, UNKNOWN if self.poll is None else self.poll.contacts
        return not self.journal or any(
            is_fitted and contact is not False
            for is_fitted, contact in (
                (fitted.smoke, contacts.smoke),
                (fitted.door_open, contacts.door_open),
                (fitted.stop, contacts.stop),
            )
        )

    def _danger(self, setpoints: Setpoints, now_s: float) -> None:
        if self._forbidden(setpoints) or self.stopping:
            assert self.flying.keys() <= self.cut, "a pulse in flight is ended"
            waiting = self.demand_due_s or self.off is not None or not self.proved
            assert not self.closed or waiting, "the demand contact is opened"


def check(history: list[Taken]) -> None:
    """Raises AssertionError at the first step that must not be."""
    watcher = Watcher()
    for taken in history:
        watcher.watch(taken)
