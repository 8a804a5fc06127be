"""What an operator, a panel or plant SCADA may request. The core may refuse, with a reason.

Each kind of request is defined once: the record the core acts on, and in ``definitions`` its name,
who may make it and its fields, by which it is parsed, described and offered everywhere.
"""

from enum import StrEnum

from dustcake.core.reasons import Reason
from dustcake.core.record import record


class Identity(StrEnum):
    """How far it is known who makes a request."""

    AUTHENTICATED = "authenticated"  # by a password, the kernel, or the broker's access rules
    CLAIMED = "claimed"  # as the asker says
    UNKNOWN = "unknown"


class Mode(StrEnum):
    """The cleaning mode selected by people."""

    OFF = "off"  # no pulses but those that a person asks for one by one
    ON_DEMAND = "on_demand"  # start at or above the high set point, stop at or below the low one
    TIMED = "timed"  # pulse at a fixed interval while selected


@record
class SelectMode:
    """Select the cleaning mode; it stays selected through restarts."""

    mode: Mode


@record
class SetZero:
    """Take the present reading as zero, with the blower off.

    ``blower_off_confirmed``: the person says that the blower stands still; needed only where
    no blower contact is fitted to prove it.
    """

    blower_off_confirmed: bool = False


@record
class Acknowledge:
    """Acknowledge the alarm of this name."""

    alarm: str


class AlarmAction(StrEnum):
    """What a person can do to an alarm, besides acknowledging it."""

    RESET = "reset"  # one that latches, when it is no longer active
    SHELVE = "shelve"  # set it aside for a limited time
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out_of_service"  # take it out, until somebody puts it back
    IN_SERVICE = "in_service"


@record
class HandleAlarm:
    """Do ``action`` to the alarm of this name. ``why``: what the person gives as the reason, needed
    to shelve and to take out of service. ``for_s``: how long it is shelved."""

    action: AlarmAction
    alarm: str
    why: str = ""
    for_s: float | None = None


@record
class RunBlower:
    """Ask for the blower to run, or withdraw that, where the run request is set to `hand`."""

    run: bool


@record
class PulseValve:
    """Pulse one valve once, for somebody who watches it: to prove valve, wiring and number.

    It needs what every pulse needs, and no cleaning run under way; the mode does not matter.
    """

    valve: int


@record
class RecordFilterChange:
    """Put on record that filters have just been changed. ``note``: what the person adds to it, such
    as which filters. ``valves``: those of the rows that were changed, 1-based; empty: all."""

    note: str = ""
    valves: tuple[int, ...] = ()


class Entry(StrEnum):
    """What people put into the log book, besides filter changes."""

    ZEROING = "zeroing"  # at the transmitter itself; one taken here is on record by itself
    DRUM_EMPTIED = "drum_emptied"
    DAMPER_MOVED = "damper_moved"
    UPKEEP_DONE = "upkeep_done"
    NOTE = "note"


@record
class RecordEntry:
    """Put an entry into the log book. ``upkeep``: which upkeep has been done."""

    entry: Entry
    note: str = ""
    upkeep: str = ""


class SetPoint(StrEnum):
    """What people may change by request, named as in ``core.setpoints``."""

    LOW = "low_pa"
    HIGH = "high_pa"
    INTERVAL = "interval_s"
    ON_TIME = "on_time_s"

    @property
    def is_pressure(self) -> bool:
        """Whether it is a pressure, among those of cleaning; else it is a time, of pulsing."""
        return self.value.endswith("_pa")


@record
class ChangeSetPoints:
    """Put set points to other values, None: leave it; held until ``ConfirmChange`` confirms it."""

    low_pa: float | None = None
    high_pa: float | None = None
    interval_s: float | None = None
    on_time_s: float | None = None

    def wanted(self) -> dict[SetPoint, float]:
        """Those that are to change."""
        values = {point: getattr(self, point.value) for point in SetPoint}
        return {point: value for point, value in values.items() if value is not None}


@record
class ConfirmChange:
    """Let the change of this number act: the number is in the answer to the request that
    proposed it."""

    change: int


@record
class PointChange:
    """One set point before and after a change."""

    set_point: SetPoint
    before: float
    after: float


@record
class RequestOutcome:
    """What a request is answered. ``change`` and ``points``: for one that is to be confirmed, or
    has been, its number and what changes."""

    accepted: bool
    reason: Reason
    change: int | None = None
    points: tuple[PointChange, ...] = ()


Request = (
    SelectMode
    | SetZero
    | Acknowledge
    | HandleAlarm
    | RunBlower
    | PulseValve
    | RecordFilterChange
    | RecordEntry
    | ChangeSetPoints
    | ConfirmChange
)


@record
class SetPointOverride:
    """A set point changed by request. ``configured``: what the settings file had for it then;
    ``by`` and ``utc_s``: who changed it and when (None: the clock was not set)."""

    set_point: SetPoint
    value: float
    configured: float
    by: str
    utc_s: float | None


@record
class PendingChange:
    """A change that waits for its confirmation until ``until_s`` (monotonic). ``change``: the
    number it is confirmed by, that of the event that answered its request."""

    change: int
    points: tuple[PointChange, ...]
    by: str
    until_s: float
    until_utc_s: float | None


@record
class SetPointOverrides:
    """What has been changed by request, and what waits to be."""

    points: tuple[SetPointOverride, ...] = ()
    pending: PendingChange | None = None
