"""What must hold at every decision and at every command that reaches the outputs."""

from math import inf
from typing import TYPE_CHECKING

from core.safety import Watcher
from core.traces import Taken
from dustcake.core.commands import AllValvesOff, Command, FireValve, SetBlowerRun, SetDemand
from dustcake.core.events import AlarmChanged, CleaningStarted, CleaningStopped, RequestAnswered
from dustcake.core.inputs import Input, OutputReported, PollCompleted, Restarted
from dustcake.core.reasons import Because
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step import Step
from dustcake.ports import OutputReport
from faults.module import Coil
from faults.plan import OUTPUT_FAULTS

if TYPE_CHECKING:
    from faults.world import World

OFF_WITHIN_S = 1.5
REPORT_WITHIN_S = 120.0  # behind a queue of commits on the slowest disk


class Watch:
    """One for a whole history. Told of every step and of every command where it is carried out."""

    def __init__(self, world: "World") -> None:
        self.world = world
        self.executed: set[int] = set()
        """Pulses that the outputs were ever asked for."""
        self._watcher = Watcher()
        self._all_off_decided = self._all_off_executed = False
        self._decided_s: dict[int, float] = {}
        self._overtaken_s: dict[int, float] = {}
        self._valve_runs: set[int] = set()
        self._blower_runs: set[int] = set()
        self._last_pulse: tuple[float, float] | None = None
        self._interval_s = 0.0  # in force when the last pulse was decided
        self._unhandled: dict[int, float] = {}

    def life_begins(self) -> None:
        """A daemon starts."""
        self._all_off_decided = self._all_off_executed = False
        self._decided_s.clear()
        self._overtaken_s.clear()
        self._valve_runs.clear()
        self._blower_runs.clear()
        self._unhandled.clear()
        self.world.audit.waiting_s = None

    # --- decisions

    def steps(self, before: State, happened: Input, setpoints: Setpoints, after: Step) -> None:
        """A step has been decided."""
        if isinstance(happened, PollCompleted) and self._is_quiet(happened, after):
            self._watcher.reads(Taken(before, happened, setpoints, after))
            return
        if isinstance(happened, Restarted):
            self._begin(before)
        try:
            self._watcher.watch(Taken(before, happened, setpoints, after))
        except AssertionError as wrong:
            self.world.object(f"at {happened}: {wrong}")
        if isinstance(happened, OutputReported):
            self._unhandled.pop(happened.command_id, None)
        for command in after.commands:
            self._decided(command)
            if isinstance(command, FireValve):
                self._interval_s = effective(
                    setpoints, after.state.set_point_overrides
                ).pulsing.interval_s
        if after.events or after.state.decision is not before.decision:
            self._note(before, after)

    def _is_quiet(self, poll: PollCompleted, after: Step) -> bool:
        """Whether nothing was done, nothing is under way, and nothing has come up to be done."""
        watcher = self._watcher
        return (
            not after.events
            and not after.commands
            and watcher.poll is not None
            and watcher.poll.contacts == poll.contacts
            and watcher.journal
            and not (watcher.flying or watcher.demand_due_s or watcher.off or watcher.stopping)
        )

    def _begin(self, before: State) -> None:
        watcher = self._watcher = Watcher()
        watcher.seq, watcher.command_id = before.next_seq, before.next_command
        watcher.journal = before.journal.fault is None
        flight = before.pulsing.in_flight
        if flight is not None and flight.valve is not None:
            watcher.flying = {flight.command_id: inf}
        adjusted = before.set_point_overrides
        watcher.changes.made = {each.set_point.value: each.value for each in adjusted.points}
        if adjusted.pending is not None:
            held = adjusted.pending
            watcher.changes.asked = (held.change, held.by, held.until_s, held.points)

    def _decided(self, command: Command) -> None:
        now_s = self.world.loop.now_s
        overtaken = self._blower_runs if isinstance(command, SetBlowerRun) else self._valve_runs
        if isinstance(command, AllValvesOff | SetBlowerRun):
            for command_id in overtaken:
                self._overtaken_s.setdefault(command_id, now_s)
        self._decided_s[command.command_id] = now_s
        if energises(command):
            overtaken.add(command.command_id)
        if not isinstance(command, AllValvesOff):
            return
        self._all_off_decided = True
        was_on = {one.coil: one.on_s for one in self.world.field.module.on().values()}
        life = self.world.life
        if was_on and not any(map(self.world.trouble.active, OUTPUT_FAULTS)):
            self.world.loop.at(now_s + OFF_WITHIN_S, lambda: self._is_off(was_on, life))

    def _is_off(self, was_on: dict[Coil, float], life: object) -> None:
        if life is not self.world.life or not self.world.loop.alive:
            return
        if self.world.trouble.was_active_within(OFF_WITHIN_S, OUTPUT_FAULTS):
            return
        for one in self.world.field.module.on().values():
            if was_on.get(one.coil) == one.on_s:
                self.world.object(f"{one.coil} still on {OFF_WITHIN_S} s after all-off was decided")

    def _note(self, before: State, after: Step) -> None:
        reached, decision = self.world.reached, after.state.decision
        if decision is not before.decision:
            reached.see("phase", f"{decision.mode}: {decision.phase}")
            self.world.trouble.decided(decision)
        was = {alarm.name: alarm.state for alarm in before.alarms}
        for event in after.events:
            body = event.body
            detail = ""
            if isinstance(body, AlarmChanged):
                self.world.people.notice(body)
                name = next(name for name in was if name == body.alarm)
                reached.see("alarm", f"{name}: {was[name]} -> {body.state}")
                reached.see("alarm table", f"{was[name]} -> {body.state}")
                was[name] = next(a.state for a in after.state.alarms if a.name == name)
                detail = f"{body.alarm} {body.state}"
            elif isinstance(body, CleaningStarted):
                reached.see("cleaning started", f"{body.kind}: {body.reason.code}")
                detail = body.kind
            elif isinstance(body, CleaningStopped):
                reached.see("cleaning stopped", f"{body.kind}: {body.reason.code}")
                detail = f"{body.kind} {body.reason.code}"
            else:
                reached.see("event", body.name)
                if isinstance(body, RequestAnswered) and body.request == "confirm":
                    reached.see("confirmed", body.reason.code)
                if isinstance(body, RequestAnswered) and body.reason.code is Because.ZERO_STARTED:
                    self.world.trouble.rare_moment()
            self.world.ledger.note("event", f"{event.seq} {body.name} {detail}")
        if decision.reason.code is not before.decision.reason.code:
            code: Because = decision.reason.code
            self.world.ledger.note("decides", f"{decision.mode} {decision.phase} {code}")

    # --- the field

    def touches(self, what: str) -> None:
        """The daemon talks to something in the field."""
        self.world.loop.check_power()
        if not self._all_off_decided:
            self.world.object(f"{what} before all valves were commanded off")

    def executes(self, command: Command) -> None:
        """A command reaches the outputs."""
        self.touches("outputs")
        self.world.ledger.note("outputs", str(command))
        if isinstance(command, AllValvesOff):
            self._all_off_executed = True
        elif not self._all_off_executed:
            self.world.object(f"{command} before all valves off")
        if isinstance(command, FireValve):
            if command.command_id in self.executed:
                self.world.object(f"{command} once more")
            self.executed.add(command.command_id)
        if energises(command):
            self._intended(command)
            self._not_overtaken(command)
        self.world.trouble.trigger("command")

    def _intended(self, command: Command) -> None:
        """The journal says so, to whoever reads it now."""
        stored = self.world.disk.history().state(self.world.setpoints.collector)
        if isinstance(command, SetBlowerRun):
            # One whose outcome did not come in time may be done late, unless it was withdrawn.
            is_intended = stored is not None and stored.state.next_command > command.command_id
        else:
            flight = None if stored is None else stored.state.pulsing.in_flight
            is_intended = flight is not None and flight.command_id == command.command_id
        if not is_intended:
            self.world.object(f"{command} is not on the disk as intended")

    def _not_overtaken(self, command: Command) -> None:
        since_s = self._overtaken_s.get(command.command_id, inf)
        if isinstance(command, SetBlowerRun):
            # One handed to the outputs at the same instant is under way, and the opposite follows.
            since_s += 1e-6
        if since_s <= self.world.loop.now_s:
            self.world.object(f"{command} although the opposite was commanded since")

    def energises(self, command: FireValve) -> None:
        """A valve is about to be energised."""
        now_s, decided_s = self.world.loop.now_s, self._decided_s[command.command_id]
        self._not_overtaken(command)
        if self._last_pulse is not None:
            last_s, late_s = self._last_pulse
            least_s = self._interval_s - late_s
            if now_s - last_s < least_s:
                self.world.object(f"{command} only {now_s - last_s:.3f} s after the last pulse")
        self._last_pulse = now_s, now_s - decided_s
        self.world.trouble.trigger("pulse")

    def reports(self, command: Command, report: OutputReport) -> None:
        """The outputs hand in an outcome: the core must come to know it."""
        self.world.ledger.note("outputs", f"{command.command_id} {report.outcome} {report.detail}")
        self._unhandled[command.command_id] = self.world.loop.now_s
        life = self.world.life
        self.world.loop.at(
            self.world.loop.now_s + REPORT_WITHIN_S, lambda: self._handled(command, life)
        )
        self.world.trouble.trigger("report")

    def _handled(self, command: Command, life: object) -> None:
        same_life = life is self.world.life and self.world.loop.alive
        if same_life and command.command_id in self._unhandled:
            self.world.object(f"the outcome of {command} never reached the core")


def energises(command: Command) -> bool:
    """Whether it needs its intent on disk first."""
    match command:
        case FireValve():
            return True
        case SetDemand():
            return command.closed
        case SetBlowerRun():
            return command.run
        case _:
            return False
