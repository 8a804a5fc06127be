"""What one step works with and gathers: events, commands and deadlines, numbered as they arise."""

from collections.abc import Callable
from math import inf
from typing import Concatenate, ParamSpec

from dustcake.core.cleaning.state import Permissive
from dustcake.core.commands import Command
from dustcake.core.events import Body, Event
from dustcake.core.inputs import Input, PollCompleted, Restarted
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_gaps import Gap
from dustcake.core.state import State

P = ParamSpec("P")


class StepContext:
    """Local to one call of ``step``, so that step stays a pure function.

    ``before``: the state when the step began. ``setpoints``: those in force, which a request of
    this step may change; ``configured``: as the settings have them. ``polled``: this step is a
    poll, so that the state holds readings it did not hold ``before``. ``restart``: the input, where
    the step is a start; monotonic times in ``before`` are then of another clock, of which
    ``last_s`` is the last time known.

    Handed from one part of a step to later ones, and not remembered: ``missing``, the permissives
    that are missing (from cleaning to pulsing); ``earlier_pa``, dP before this poll, or before the
    gap that it ends (from the input to the validation of the reading).
    """

    def __init__(
        self, received: Input, configured: Setpoints, effective: Setpoints, before: State
    ) -> None:
        self.at = received.at
        self.now_s = received.at.mono_s
        self.before = before
        self.setpoints = effective
        self.configured = configured
        self.polled = isinstance(received, PollCompleted)
        self.restart = received if isinstance(received, Restarted) else None
        self.last_s = before.sample.at.mono_s
        self.missing: tuple[Permissive, ...] = ()
        self.earlier_pa: float | None = None
        self.next_seq = before.next_seq
        self.next_command = before.next_command
        self.events: list[Event] = []
        self.commands: list[Command] = []
        self.deadline_s: float | None = None

    def emit(self, body: Body) -> None:
        """Record an event."""
        self.events.append(Event(self.next_seq, self.at, body))
        self.next_seq += 1

    def command(
        self, kind: Callable[Concatenate[int, P], Command], *what: P.args, **more: P.kwargs
    ) -> int:
        """Command an output: ``context.command(FireValve, valve, on_time_s)``. Returns the
        command's id, by which its outcome is reported."""
        command_id = self.next_command
        self.next_command += 1
        self.commands.append(kind(command_id, *what, **more))
        return command_id

    def wake_by(self, deadline_s: float) -> None:
        """Something is due at ``deadline_s`` even if nothing else happens before."""
        if self.deadline_s is None or deadline_s < self.deadline_s:
            self.deadline_s = deadline_s

    def holds(self, gap: Gap) -> bool:
        """Whether what is not known now was, so lately that all that rests on it is held."""
        since_s = gap.since_s
        return since_s is not None and not self.is_due(since_s + self.setpoints.stale_after_s)

    def is_due(self, due_s: float) -> bool:
        """Whether ``due_s`` has come; if it has not, the step wakes then. Infinite: never."""
        if self.now_s >= due_s:
            return True
        if due_s != inf:
            self.wake_by(due_s)
        return False
