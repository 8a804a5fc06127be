"""A collector of a few rows as plain as can be, so that a test can say what each pulse does."""

from typing import Any

from core.driver import HEADER_SCALE, LOST, Collector, ContactChanges, chosen
from dustcake.core.alarms.names import AlarmName, AlarmSetting, Priority
from dustcake.core.commands import Command, FireValve
from dustcake.core.events import FindingChanged
from dustcake.core.inputs import Measured, Outcome, Signal
from dustcake.core.reasons import Because
from dustcake.core.setpoints import Fitted, Setpoints

REST_PA = 600_000.0
NOISE = (0.0, 2.0, -1.0, 1.0, -2.0, 1.5, -1.5)


def diagnosing(*, header: bool = True, **changes: Any) -> Setpoints:
    """Set points with doubts and diagnosis as their defaults have them, and a blower contact."""
    base = chosen(
        fitted=Fitted(blower_running=True),
        alarms=tuple(AlarmSetting(name, True, 0.0, 0.0, Priority.LOW) for name in AlarmName),
        signal_validation={"zero_check_after_s": 120.0, "not_zero_pa": 125.0},
        pulse_response={"response_s": 10.0},
        cleaning={"fallback_delay_s": 0.0},
    )
    return chosen(chosen(base, header=HEADER_SCALE) if header else base, **changes)


class Rows:
    """``drop_pa``: what a pulse of each valve takes off dP; ``dip_pa``: what the header lacks at
    the first poll after it, and ``lost_pa`` for good; ``rise_pa``: what dP gains from poll to
    poll."""

    def __init__(self, setpoints: Setpoints | None = None) -> None:
        setpoints = setpoints or diagnosing()
        self.valves = len(setpoints.pulsing.order)
        self.drop_pa = dict.fromkeys(range(1, self.valves + 1), 60.0)
        self.dip_pa = dict.fromkeys(range(1, self.valves + 1), 60_000.0)
        self.lost_pa = 0.0
        self.rise_pa = 2.0
        self.dp_pa, self.header_pa = 800.0, REST_PA
        self.lost = self.header_lost = False
        self._dip_pa = 0.0
        self._fired = False
        self.fired_at: float | None = None
        self.last_valve = 0
        self.outcome: Outcome | None = Outcome.DONE
        contacts: ContactChanges = {"blower_running": True}
        self.collector = Collector(setpoints, outcome=self._carried_out, **contacts)

    def _carried_out(self, command: Command) -> Outcome | None:
        if isinstance(command, FireValve):
            self._fired = True
            self.fired_at, self.last_valve = self.collector.t, command.valve
            self.dp_pa -= self.drop_pa[command.valve]
            self._dip_pa = self.dip_pa[command.valve]
            self.header_pa -= self.lost_pa
            return self.outcome
        return Outcome.DONE

    def work(self, for_s: float, **contacts: bool) -> "Rows":
        """Polls once a second."""
        changes: ContactChanges = {"blower_running": contacts.get("blower_running", True)}
        for _ in range(round(for_s)):
            self.dp_pa += self.rise_pa
            noise = NOISE[round(self.collector.t) % len(NOISE)]
            if self.collector.setpoints.header is not None:
                shown_pa = self.header_pa - self._dip_pa + 100 * noise
                self.collector.header = LOST if self.header_lost else Measured(shown_pa)
            signal: Signal = LOST if self.lost else Measured(self.dp_pa + noise)
            self.collector.poll(signal, **changes)
            if not self._fired:
                self._dip_pa = 0.0
            self._fired = False
        return self

    @property
    def findings(self) -> list[tuple[str, int]]:
        """What stands."""
        return [(f.name.value, f.valve) for f in self.collector.state.pulse_response.findings]

    @property
    def told(self) -> list[tuple[str, int, bool, Because]]:
        """Every finding told so far."""
        return [
            (e.finding, e.valve, e.found, e.reason.code) for e in self.collector.of(FindingChanged)
        ]

    def doubts(self) -> list[Because]:
        return [doubt.reason.code for doubt in self.collector.state.signal_validation.doubts]
