"""What happened, for the record: numbered without a gap, never lost."""

from typing import ClassVar

from dustcake.core.inputs import Stamp
from dustcake.core.reasons import Reason
from dustcake.core.record import record
from dustcake.core.requests.kinds import Identity, PointChange


@record
class Started:
    """The daemon took charge of the collector."""

    name: ClassVar[str] = "started"
    downtime_s: float | None


@record
class Stopped:
    """The daemon let go of the collector in an orderly way."""

    name: ClassVar[str] = "stopped"


@record
class CleaningStarted:
    """A cleaning run began. ``dp_pa``: the reading then, None where there is none."""

    name: ClassVar[str] = "cleaning_started"
    kind: str
    dp_pa: float | None
    reason: Reason


@record
class CleaningStopped:
    """A cleaning run ended after ``duration_s`` and ``pulses`` pulses."""

    name: ClassVar[str] = "cleaning_stopped"
    kind: str
    dp_pa: float | None
    reason: Reason
    pulses: int
    duration_s: float


@record
class PulseFired:
    """One pulse of ``valve`` (1-based), reported done; ``count``: of this valve so far."""

    name: ClassVar[str] = "pulse"
    valve: int
    on_time_s: float
    count: int
    dp_pa: float | None
    ended_early: bool


@record
class PulseFailed:
    """A pulse that was commanded was not carried out, or is not known to have been."""

    name: ClassVar[str] = "pulse_failed"
    valve: int
    detail: str


@record
class PulseInterrupted:
    """The daemon died while ``valve`` was commanded; it is not pulsed again for that."""

    name: ClassVar[str] = "pulse_interrupted"
    valve: int


@record
class DemandSet:
    """The demand contact of the sequencer board was closed or opened."""

    name: ClassVar[str] = "demand"
    closed: bool


@record
class OutputsChanged:
    """The outputs were lost, or proved again."""

    name: ClassVar[str] = "outputs_changed"
    healthy: bool
    detail: str


@record
class AlarmChanged:
    """An alarm entered ``state``, or what it watches changed while it was out of view: see
    config/alarms.md. ``active``: what it watches holds, after its delays (None: recorded by a
    version that did not say). ``why``: the reason ``by`` gave."""

    name: ClassVar[str] = "alarm"
    alarm: str
    state: str
    priority: str
    reason: Reason
    by: str
    active: bool | None = None
    why: str = ""


@record
class QualityChanged:
    """The quality of the dP reading changed (NAMUR NE 107)."""

    name: ClassVar[str] = "quality_changed"
    quality: str
    reasons: tuple[Reason, ...]


@record
class FindingChanged:
    """Diagnosis from pulses found something (``found``), or found it gone. ``valve``: which valve
    or row, 0 where that is not known or all are meant; ``reason``: the evidence."""

    name: ClassVar[str] = "finding"
    finding: str
    valve: int
    found: bool
    reason: Reason


@record
class ModeSelected:
    """The cleaning mode was selected, by whom."""

    name: ClassVar[str] = "mode_selected"
    mode: str
    by: str


@record
class ZeroTaken:
    """A new zero: ``offset_pa`` is subtracted from every reading from now on."""

    name: ClassVar[str] = "zero_taken"
    offset_pa: float
    previous_offset_pa: float
    by: str


@record
class ZeroAbandoned:
    """Zeroing ended without a new zero."""

    name: ClassVar[str] = "zero_abandoned"
    reason: Reason
    by: str


@record
class BlowerChanged:
    """Proof of the blower changed: running, off, or not known (None)."""

    name: ClassVar[str] = "blower_changed"
    running: bool | None


@record
class BlowerRunSet:
    """The blower run request was set or withdrawn."""

    name: ClassVar[str] = "blower_run"
    run: bool
    reason: str


@record
class JournalChanged:
    """The journal can no longer be written, or can again."""

    name: ClassVar[str] = "journal_changed"
    writable: bool
    detail: str


@record
class RequestAnswered:
    """What became of a request. ``by``: who asked, and ``identity`` how far that is known;
    ``change`` and ``points``: see ``core.requests.Verdict``."""

    name: ClassVar[str] = "request_answered"
    request_id: str
    request: str
    by: str
    accepted: bool
    reason: Reason
    change: int | None = None
    points: tuple[PointChange, ...] = ()
    identity: Identity = Identity.UNKNOWN


@record
class ChangeLapsed:
    """A change of set points that ``by`` had asked for was given up, unconfirmed."""

    name: ClassVar[str] = "change_lapsed"
    change: int
    by: str
    reason: Reason


@record
class FiltersChanged:
    """Filters were changed, as ``by`` has put on record, after the blower had run ``blower_run_s``
    since the last change; ``note``: what they added; ``valves``: those of the rows that were
    changed, empty: all of them."""

    name: ClassVar[str] = "filters_changed"
    blower_run_s: float
    note: str
    by: str
    valves: tuple[int, ...] = ()


@record
class LogEntry:
    """``by`` has put something into the log book: see ``core.requests.Entry``. ``upkeep``: which
    upkeep that completes, empty if none."""

    name: ClassVar[str] = "log_entry"
    entry: str
    note: str
    upkeep: str
    by: str


@record
class UpkeepDue:
    """Upkeep is due. ``text``: what to do."""

    name: ClassVar[str] = "upkeep_due"
    upkeep: str
    text: str


@record
class SettingChanged:
    """Another value of a setting is in force, by a request or since a start; empty where it had or
    has none. Values are in the units of their names. ``by``: who asked for it, or who edited the
    settings file, as it says itself."""

    name: ClassVar[str] = "setting_changed"
    setting: str
    before: str
    after: str
    by: str


@record
class FilterLifeChanged:
    """What residual dP says of the filters at ``hours`` blower hours since their change: see
    ``core.filter_life.forecast``. ``low_h``, ``high_h``: blower hours that remain, None beyond the
    horizon; ``confidence`` of that range."""

    name: ClassVar[str] = "filter_life"
    outlook: str
    hours: float
    low_h: float | None
    high_h: float | None
    confidence: float
    residual_pa: float | None
    rise_pa_per_h: float | None
    points: int


@record
class AirUsed:
    """Free air of the pulses since the last such account, an hour at most. ``from_utc_s``: of the
    first of them; ``measured`` of them at the header, ``rated`` as rated; ``blower_run_s``:
    running time since the last account."""

    name: ClassVar[str] = "air_used"
    from_utc_s: float | None
    free_m3: float
    mass_kg: float
    measured: int
    rated: int
    blower_run_s: float


Body = (
    Started
    | Stopped
    | CleaningStarted
    | CleaningStopped
    | PulseFired
    | PulseFailed
    | PulseInterrupted
    | DemandSet
    | OutputsChanged
    | AlarmChanged
    | QualityChanged
    | FindingChanged
    | ModeSelected
    | ZeroTaken
    | ZeroAbandoned
    | BlowerChanged
    | BlowerRunSet
    | JournalChanged
    | RequestAnswered
    | ChangeLapsed
    | FiltersChanged
    | LogEntry
    | UpkeepDue
    | SettingChanged
    | FilterLifeChanged
    | AirUsed
)


@record
class Event:
    """One event. ``seq`` counts the events of this collector from 1, through every restart."""

    seq: int
    at: Stamp
    body: Body
