"""What a run of the core is counted up to: all of it, or what came before and after a time."""

from collections import Counter
from dataclasses import dataclass, field

from dustcake.core.alarms.table import AlarmState
from dustcake.core.events import AlarmChanged, CleaningStarted, CleaningStopped, Event, PulseFired
from dustcake.core.stamp import Stamp

_COUNTED = (CleaningStarted, CleaningStopped, PulseFired, AlarmChanged)


@dataclass(slots=True)
class Tally:
    """What a replay came to. ``lost``: samples without a dP; ``gaps``: how often the next row came
    too late to keep the reading from going stale; ``runs``: cleaning runs started;
    ``cleaning_s``: time spent in them; ``cleaning_since_s``: start of one that was
    not over at the end; ``pulses`` by valve; ``alarms`` raised, by name."""

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


class Counted:
    """Keeps what a replay counts: up to when the answers hold is known only at the end."""

    def __init__(self) -> None:
        self._events: list[Event] = []

    def take(self, event: Event) -> None:
        """Take in one event."""
        if isinstance(event.body, _COUNTED):
            self._events.append(event)

    def apart(self, at_s: float) -> tuple[Tally, Tally]:
        """Counts of what came before ``at_s``, and of what came then and later."""
        holding, beyond = Tally(), Tally()
        for event in self._events:
            (holding if event.at.mono_s < at_s else beyond).count(event)
        return holding, beyond
