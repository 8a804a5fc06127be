"""What must hold of every history, told from the inputs and commands alone.

The rules are written without the core's own state, so that a wrong belief of the core about what
it has commanded or been told cannot excuse it.
"""

from collections.abc import Sequence
from dataclasses import replace

from core.changes import Changes
from core.traces import Taken
from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.events import (
    CleaningStarted,
    CleaningStopped,
    PulseFired,
    PulseInterrupted,
    RequestAnswered,
)
from dustcake.core.inputs import (
    Contacts,
    JournalReported,
    OperatorRequested,
    Outcome,
    OutputReported,
    PollCompleted,
    RequestRefused,
    Restarted,
    Stopping,
)
from dustcake.core.reading import interpret
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, PulseValve
from dustcake.core.setpoints import BlowerRequest, OutputKind, Setpoints
from dustcake.core.signal_validation.state import DEAD

UNKNOWN = Contacts()

# What ends a run whatever its kind, and what else ends one on demand while the reading is good.
ENDS = frozenset(
    {
        Because.SMOKE,
        Because.STOP_INPUT,
        Because.DOOR_OPEN,
        Because.JOURNAL_FAULT,
        Because.STOPPING,
        Because.RESTARTED,
    }
)
ENDS_ON_DEMAND = ENDS | {Because.LOW_REACHED, Because.LIMIT_OF_CYCLES}
WITHOUT_READING = frozenset(
    {
        Because.BAD_READING_WAIT,
        Because.BAD_READING_HOLD,
        Because.BAD_READING_FALLBACK,
        Because.FALLBACK_NEEDS_BLOWER,
    }
)


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
        self.bad_since_s: float | None = None  # since when there is no usable reading
        self.dp_pa: float | None = None  # as the last poll was read
        self.flow_s: float | None = None  # when dP last proved flow, and nothing since that none
        self.unproved_s: float | None = 0.0  # since when dP has not proved it, in one piece
        self.run = self.barred = False  # what the blower run output was last told; and barred
        self.started_s = self.last_s = 0.0
        self.seq = self.command_id = 1
        self.changes = Changes()

    def watch(self, taken: Taken) -> None:
        """Take one step in."""
        taken = replace(taken, setpoints=self.changes.watch(taken))
        setpoints, after, now_s = taken.setpoints, taken.after, taken.happened.at.mono_s
        self._numbers(taken)
        assert after.wake_at_s is None or after.wake_at_s > now_s, "woken in the past"
        self._input(taken)
        self._time_outs(setpoints, now_s)
        self._reading(taken)
        self._flow(taken)
        self._bar()
        for event in after.events:
            if isinstance(event.body, CleaningStopped):
                self._stopped(event.body, taken)
            elif isinstance(event.body, CleaningStarted) and event.body.kind == "on_demand":
                assert (event.body.dp_pa or 0.0) >= setpoints.cleaning.high_pa
        for command in after.commands:
            self._command(command, taken)
        self._danger(taken)

    def reads(self, taken: Taken) -> None:
        """Take a poll in that led to nothing and met nothing under way."""
        assert isinstance(taken.happened, PollCompleted)
        self._polled(taken.happened, taken)
        self._flow(taken)

    def _polled(self, poll: PollCompleted, taken: Taken) -> None:
        self.poll = poll
        # By the zero as it was then.
        self.dp_pa = interpret(poll.dp, taken.setpoints.dp, taken.before.zero.offset_pa)[0]

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
            self._polled(happened, taken)
        elif isinstance(happened, JournalReported):
            self.journal = happened.writable
        elif isinstance(happened, Stopping):
            self.stopping = True
        elif isinstance(happened, OperatorRequested | RequestRefused):
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
        self.bad_since_s = self.flow_s = None
        self.unproved_s = taken.happened.at.mono_s
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

    def _is_usable(self, taken: Taken) -> bool:
        """Well read, and no doubt of the core's own leaves it dead: those are tried in
        ``tests/core/test_trust.py``."""
        offset_pa = taken.after.state.zero.offset_pa
        state = taken.after.state
        dead = {doubt.reason.code for doubt in state.signal_validation.doubts} & DEAD
        return (
            self.poll is not None
            and interpret(self.poll.dp, taken.setpoints.dp, offset_pa)[1] == "good"
            and not dead
            and state.signal_validation.jump is None
        )

    def _reading(self, taken: Taken) -> None:
        if self._is_usable(taken):
            self.bad_since_s = None
        elif self.bad_since_s is None:
            self.bad_since_s = taken.happened.at.mono_s

    def _flow(self, taken: Taken) -> None:
        """Whether dP proves flow: at or above the proof, and then down to half of it. A reading
        that is lost proves nothing; a proof may outlast it for as long as that is waited for."""
        now_s, proof_pa = taken.happened.at.mono_s, taken.setpoints.blower.flow_proof_pa
        usable = self._is_usable(taken) and self.dp_pa is not None
        if usable and (self.dp_pa or 0.0) >= proof_pa * (0.5 if self.flow_s is not None else 1.0):
            self.flow_s = now_s
        elif usable or now_s >= (self.flow_s or 0.0) + taken.setpoints.stale_after_s:
            self.flow_s = None
        half = self.unproved_s is None
        if usable and (self.dp_pa or 0.0) >= proof_pa * (0.5 if half else 1.0):
            self.unproved_s = None
        elif self.unproved_s is None:
            self.unproved_s = now_s

    def _flow_is_proved(self, taken: Taken) -> bool:
        """By the contact; without one by dP, as it is read now."""
        if taken.setpoints.fitted.blower_running:
            return self.poll is not None and self.poll.contacts.blower_running is True
        return self.flow_s is not None and self._is_usable(taken)

    def _needs_flow(self, taken: Taken) -> bool:
        """Every kind of run does but downtime, and timed where that is written down."""
        setpoints, kind = taken.setpoints, taken.after.state.decision.kind
        accepted = setpoints.blower.timed_unproved and not setpoints.fitted.blower_running
        return not (kind == "downtime" or (kind == "timed" and accepted))

    def _bar(self) -> None:
        """Smoke or stop bars the blower until the process has stopped."""
        contacts = UNKNOWN if self.poll is None else self.poll.contacts
        if contacts.smoke or contacts.stop:
            self.barred = True
        elif contacts.process_running is False:
            self.barred = False

    def _stopped(self, stopped: CleaningStopped, taken: Taken) -> None:
        """What only withholds pulses ends no run."""
        why, now_s = stopped.reason.code, taken.happened.at.mono_s
        contacts = UNKNOWN if self.poll is None else self.poll.contacts
        if stopped.kind != taken.after.state.mode or contacts.blower_running is False:
            return
        if why is Because.FLOW_NOT_PROVED:
            assert not taken.setpoints.fitted.blower_running
            assert self.unproved_s is not None
            assert now_s >= self.unproved_s + taken.setpoints.stale_after_s, "it waits so long"
            return
        if stopped.kind == "timed":
            assert why in ENDS, f"timed cleaning ended by {why}"
        elif self._is_usable(taken):
            assert why in ENDS_ON_DEMAND, f"cleaning on demand ended by {why}"
        elif why in WITHOUT_READING:
            assert self.bad_since_s is not None
            assert now_s >= self.bad_since_s + taken.setpoints.stale_after_s, "it waits so long"

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
        kind = None if _is_single(taken) else taken.after.state.decision.kind
        interval_s = {
            "timed": cleaning.timed_interval_s,
            "fallback": cleaning.fallback_interval_s,
        }.get(str(kind), pulsing.interval_s)
        assert now_s >= self.last_s + interval_s, "the header gets its interval"
        self._may_pulse(taken)

    def _may_pulse(self, taken: Taken) -> None:
        setpoints, now_s, poll = taken.setpoints, taken.happened.at.mono_s, self.poll
        fitted, contacts = setpoints.fitted, UNKNOWN if poll is None else poll.contacts
        kind, single = taken.after.state.decision.kind, _is_single(taken)
        assert kind is not None or single, "no pulse without a run, but one that is asked for"
        assert self.proved, "outputs proved off before the first pulse and after every fault"
        assert not self._forbidden(setpoints), "nothing forbids it"
        assert not self.stopping
        assert now_s >= self.started_s + setpoints.settle_s
        if single:
            assert taken.before.cleaning.run is None, "a run is not interfered with"
            assert not taken.after.state.zero.under_way
        else:
            assert taken.after.state.mode is not Mode.OFF
            if kind == "downtime":
                assert fitted.blower_running
                assert contacts.blower_running is False
            if self._needs_flow(taken):
                assert self._flow_is_proved(taken), "no pulse without proved flow"
            if kind == "fallback":
                assert fitted.blower_running
            if kind == "on_demand":
                assert self._is_usable(taken)
        if setpoints.header is not None and poll is not None and poll.header is not None:
            pa, quality, _ = interpret(poll.header, setpoints.header, 0.0)
            limits = setpoints.header_limits
            assert pa is None or quality != "good" or limits.min_pa <= pa <= limits.max_pa

    def _may_run(self, command: SetBlowerRun, setpoints: Setpoints) -> None:
        assert setpoints.blower.request is not BlowerRequest.NONE
        by_process = setpoints.blower.request is BlowerRequest.PROCESS
        assert not (command.run and by_process and self.barred), "not before the process stopped"
        self.run = command.run

    def _guarding(self, setpoints: Setpoints) -> list[bool | None]:
        """What each contact that forbids pulses says, of those that are fitted."""
        fitted, contacts = setpoints.fitted, UNKNOWN if self.poll is None else self.poll.contacts
        guarding = (
            (fitted.smoke, contacts.smoke),
            (fitted.door_open, contacts.door_open),
            (fitted.stop, contacts.stop),
        )
        return [contact for is_fitted, contact in guarding if is_fitted]

    def _forbidden(self, setpoints: Setpoints) -> bool:
        return not self.journal or any(c is not False for c in self._guarding(setpoints))

    def _danger(self, taken: Taken) -> None:
        setpoints = taken.setpoints
        contacts = UNKNOWN if self.poll is None else self.poll.contacts
        if setpoints.blower.request is not BlowerRequest.NONE:
            assert not (self.run and (contacts.smoke or contacts.stop)), "switched off at once"
        if not self.journal or True in self._guarding(setpoints) or self.stopping:
            assert self.flying.keys() <= self.cut, "a pulse in flight is ended"
        unproved = self._needs_flow(taken) and not self._flow_is_proved(taken)
        if self._forbidden(setpoints) or self.stopping or unproved:
            waiting = self.demand_due_s or self.off is not None or not self.proved
            assert not self.closed or waiting, "the demand contact is opened"


def _is_single(taken: Taken) -> bool:
    """Somebody asks for one pulse in this step."""
    happened = taken.happened
    return isinstance(happened, OperatorRequested) and isinstance(happened.request, PulseValve)


def check(history: list[Taken]) -> None:
    """Raises AssertionError at the first step that must not be."""
    watcher = Watcher()
    for taken in history:
        watcher.watch(taken)
