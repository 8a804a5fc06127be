"""A recorded trace through the decision core: what dustcake would have done, and why.

Outputs and journal are taken to be healthy: every command is reported done at once. A pulse in a
replay cannot change the dP that was recorded, so what follows the first pulse that the recording
did not have is no longer an answer.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

from dustcake.core.alarms.names import AlarmName, AlarmState
from dustcake.core.commands import Command
from dustcake.core.events import AlarmChanged, CleaningStarted, CleaningStopped, Event, PulseFired
from dustcake.core.inputs import (
    Input,
    Measured,
    Outcome,
    OutputReported,
    PollCompleted,
    Restarted,
    Stamp,
    Woke,
)
from dustcake.core.record import record, replace
from dustcake.core.setpoints import Fitted, Setpoints
from dustcake.core.state import State, first_state
from dustcake.core.step import step
from dustcake_lab.traces.columns import CONTACT_COLUMNS, PULSE_COLUMNS, Recorded
from dustcake_lab.traces.leap import NO_LEAP, leap_after

if TYPE_CHECKING:
    from dustcake_lab.traces.samples import Columns


@record
class ColumnMatch:
    """How the settings of a collector meet the columns of a trace. ``setpoints``: those settings,
    without the inputs that the trace lacks; ``unused``: columns no decision can rest on;
    ``notes``: all of that in words."""

    setpoints: Setpoints
    unused: tuple[str, ...]
    notes: tuple[str, ...]


def match_columns(setpoints: Setpoints, columns: tuple[str, ...]) -> ColumnMatch:
    """Leave out what either side has and the other has not."""
    fitted, response = setpoints.fitted.names(), setpoints.pulse_response
    inputs = {name: f"for the contact `{name}`:" for name in fitted}
    if setpoints.header is not None:
        inputs["header_pa"] = "`header_pa`: header pressure"
    notes = [
        f"the trace has no column {what} replayed as not fitted"
        for name, what in inputs.items()
        if name not in columns
    ]
    possible = (*CONTACT_COLUMNS, "header_pa")
    unused = tuple(each for each in possible if each in columns and each not in inputs)
    notes += [f"column `{name}` is not used: the settings have no such input" for name in unused]
    if response.response_s > 0 and set(PULSE_COLUMNS).isdisjoint(columns):
        notes.append(
            "the trace has no column for pulses (`pulse_valve` or `pulses`): what dP does after "
            "pulses that may never have been is not judged"
        )
        response = replace(response, response_s=0.0)
    if "flow_m3s" in columns:
        notes.append("column `flow_m3s` is not used: no decision rests on flow")
    setpoints = replace(
        setpoints,
        fitted=Fitted(**{name: name in columns for name in fitted}),
        header=setpoints.header if "header_pa" in columns else None,
        pulse_response=response,
    )
    return ColumnMatch(setpoints, unused, tuple(notes))


class Replay:
    """One collector that lives through a trace. ``tally`` is complete when the events are, and
    ``state`` is then the last one. ``on_command`` is called with every command, and when.
    ``recorded``: what the trace says was done, as far as it has been read; None: all that is
    commanded was."""

    def __init__(
        self,
        setpoints: Setpoints,
        on_command: Callable[[Stamp, Command], None] | None = None,
        recorded: Recorded | None = None,
    ) -> None:
        self.tally = Tally()
        self.steps = 0
        """Calls of the core's ``step`` so far."""
        self._setpoints = setpoints = for_a_trace(setpoints)
        self._on_command, self._recorded = on_command, recorded
        self.state: State = first_state(setpoints, Stamp(0.0, None))
        self._wake_at_s: float | None = None
        self._leap = NO_LEAP
        self._leapt_to: PollCompleted | None = None
        self._before_s = 0.0
        self._at: Stamp | None = None

    def events(self, samples: "Iterable[PollCompleted | Columns]") -> Iterator[Event]:
        """What happens, in order, from the first sample to the last and no further.

        Leaps over samples that the core's promise (``Quiet``) covers: all they change is which
        sample is remembered, so the last of them stands for all.
        """
        for each in samples:
            if type(each) is PollCompleted:
                yield from self._one(each)
            else:
                yield from self._many(cast("Columns", each))
        if self._at is not None:
            yield from self._land()
            self.tally.end(self._at)

    def _one(self, poll: PollCompleted) -> Iterator[Event]:
        now_s = poll.at.mono_s
        in_time = now_s <= self._before_s + self._setpoints.stale_after_s
        in_time = in_time and now_s < self.state.next_check_s
        if in_time and self._leap.covers(now_s, poll.dp, poll.header, poll.contacts):
            self.tally.samples += 1
            self._at, self._before_s, self._leapt_to = poll.at, now_s, poll
        else:
            yield from self._take(poll)

    def _many(self, columns: "Columns") -> Iterator[Event]:
        stale_s, row, end = self._setpoints.stale_after_s, 0, len(columns)
        while row < end:
            to = columns.first_not_covered(row, self._leap, self._before_s, stale_s)
            check = self.state.signal_validation.frozen
            if check is not None and to > row:
                to, after = columns.frozen_checks(row, to, check, self._setpoints.signal_validation)
                if after is not check:
                    validation = replace(self.state.signal_validation, frozen=after)
                    self.state = replace(self.state, signal_validation=validation)
            if to > row:
                self.tally.samples += to - row
                self._leapt_to = columns.poll(to - 1)
                self._at = self._leapt_to.at
                self._before_s = self._at.mono_s
            if to < end:
                yield from self._take(columns.poll(to))
            row = to + 1

    def _land(self) -> list[Event]:
        """Remember the last of the samples leapt over."""
        poll, self._leapt_to = self._leapt_to, None
        return [] if poll is None else self._happens(poll)

    def _take(self, poll: PollCompleted) -> list[Event]:
        """One sample that may lead to something, with the wakes that were due before it."""
        tally, now_s, events = self.tally, poll.at.mono_s, []
        if self._at is None:
            tally.first_utc_s = poll.at.utc_s
            events += self._happens(Restarted(poll.at))
            self._before_s = now_s
        events += self._land()
        self._pass_over_answer(now_s)
        while self._wake_at_s is not None and self._wake_at_s < now_s:
            events += self._happens(Woke(self._stamp(self._wake_at_s)))
        tally.samples += 1
        tally.lost += type(poll.dp) is not Measured
        tally.gaps += now_s > self._before_s + self._setpoints.stale_after_s
        self._at, self._before_s = poll.at, now_s
        events += self._happens(poll)
        self._leap = leap_after(self.state, self._setpoints)
        return events

    def _pass_over_answer(self, now_s: float) -> None:
        """dP cannot answer to a pulse that the recording did not have just then: nobody is to wait
        for it, since before long a sensing line would be found plugged."""
        observed = self.state.pulse_response.observation
        if observed is None or self._recorded is None or now_s < observed.due_s:
            return
        if not self._recorded.had_pulse(observed.began_s):
            nobody = replace(self.state.pulse_response, observation=None)
            self.state = replace(self.state, pulse_response=nobody)

    def _happens(self, happened: Input) -> list[Event]:
        """One input, and the outcomes of the commands that follow from it."""
        events: list[Event] = []
        waiting: list[Input] = [happened]  # it grows while it is gone through
        for each in waiting:
            self.steps += 1
            done = step(self.state, each, self._setpoints)
            self.state, self._wake_at_s = done.state, done.wake_at_s
            for event in done.events:
                self.tally.count(event)
                events.append(event)
            for command in done.commands:
                if self._on_command is not None:
                    self._on_command(happened.at, command)
                waiting.append(OutputReported(happened.at, command.command_id, Outcome.DONE))
        return events

    def _stamp(self, mono_s: float) -> Stamp:
        start_utc_s = self.tally.first_utc_s
        return Stamp(mono_s, None if start_utc_s is None else start_utc_s + mono_s)


_NOT_OF_A_TRACE = (AlarmName.CLOCK_NOT_SET, AlarmName.FIELDBUS_LOST)
"""A trace that begins at zero seconds is no computer whose clock is not set, and a row that cannot
be used is no fieldbus that is lost."""


def for_a_trace(setpoints: Setpoints) -> Setpoints:
    """The settings without alarms on what no trace can show."""
    alarms = tuple(
        replace(setting, enabled=False) if setting.name in _NOT_OF_A_TRACE else setting
        for setting in setpoints.alarms
    )
    return replace(setpoints, alarms=alarms)


@dataclass(slots=True)
class Tally:
    """What a replay came to. ``lost``: samples without a dP; ``gaps``: how often the next row came
    too late to keep the reading from going stale; ``runs``: cleaning runs started;
    ``cleaning_s``: time spent in them; ``cleaning_since_s``: start of one that was
    not over at the end; ``pulses`` by valve; ``alarms`` raised, by name; ``counted``: the events
    from which all of this comes."""

    samples: int = 0
    lost: int = 0
    gaps: int = 0
    duration_s: float = 0.0
    first_utc_s: float | None = None
    last_utc_s: float | None = None
    runs: int = 0
    cleaning_s: float = 0.0
    cleaning_since_s: float | None = None
    pulses: Counter[int] = field(default_factory=Counter)
    alarms: Counter[str] = field(default_factory=Counter)
    counted: list[Event] = field(default_factory=list)

    def count(self, event: Event) -> None:
        """Take one event into account."""
        body = event.body
        if isinstance(body, CleaningStarted):
            self.runs += 1
            self.cleaning_since_s = event.at.mono_s
        elif isinstance(body, CleaningStopped):
            self.cleaning_s += body.duration_s
            self.cleaning_since_s = None
        elif isinstance(body, PulseFired):
            self.pulses[body.valve] += 1
        elif isinstance(body, AlarmChanged) and body.state == AlarmState.UNACKNOWLEDGED:
            self.alarms[body.alarm] += 1
        else:
            return
        self.counted.append(event)

    def split_at(self, at_s: float) -> tuple["Tally", "Tally"]:
        """Counts of what came before ``at_s``, and of what came then and later: up to when the
        answers of a replay hold is known only at its end."""
        holding, beyond = Tally(), Tally()
        for event in self.counted:
            (holding if event.at.mono_s < at_s else beyond).count(event)
        return holding, beyond

    def notes(self, stale_after_s: float) -> tuple[str, ...]:
        """What somebody must know who reads the counts."""
        if self.gaps <= self.samples / 10:
            return ()
        return (
            f"in {self.gaps} of {self.samples} rows the reading had gone stale, as the row "
            f"came more than {stale_after_s:g} s after the one before: for a trace that was "
            "recorded at longer intervals, set stale_after_s in a copy of the settings",
        )

    def end(self, at: Stamp) -> None:
        """The last poll was at ``at``."""
        self.duration_s, self.last_utc_s = at.mono_s, at.utc_s
        if self.cleaning_since_s is not None:
            self.cleaning_s += at.mono_s - self.cleaning_since_s
