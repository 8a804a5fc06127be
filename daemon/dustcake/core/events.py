"""What happened, for the record: numbered without a gap, never lost."""

from collections.abc import Callable
from dataclasses import field
from typing import ClassVar, TypeVar, dataclass_transform

from dustcake.core.inputs import Stamp
from dustcake.core.reasons import Reason
from dustcake.core.record import record
from dustcake.core.requests.kinds import Identity, PointChange


@record
class Body:
    """What an event says; ``name``: what it is published as."""

    name: ClassVar[str]


EVENTS: dict[str, type[Body]] = {}
"""Every kind of event by its name."""

LOG_BOOK: list[str] = []
"""The names of those that people read in the log book."""

B = TypeVar("B", bound=Body)


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def _event(name: str, *, in_log_book: bool = False) -> Callable[[type[B]], type[B]]:
    """A kind of event, as a ``record``."""

    def named(cls: type[B]) -> type[B]:
        kind = record(cls)
        kind.name = name
        EVENTS[name] = kind
        if in_log_book:
            LOG_BOOK.append(name)
        return kind

    return named


@_event("started", in_log_book=True)
class Started(Body):
    """The daemon took charge of the collector."""

    downtime_s: float | None


@_event("stopped")
class Stopped(Body):
    """The daemon let go of the collector in an orderly way."""


@_event("cleaning_started")
class CleaningStarted(Body):
    """A cleaning run began. ``dp_pa``: the reading then, None where there is none."""

    kind: str
    dp_pa: float | None
    reason: Reason


@_event("cleaning_stopped")
class CleaningStopped(Body):
    """A cleaning run ended after ``duration_s`` and ``pulses`` pulses."""

    kind: str
    dp_pa: float | None
    reason: Reason
    pulses: int
    duration_s: float


@_event("pulse")
class PulseFired(Body):
    """One pulse of ``valve`` (1-based), reported done; ``count``: of this valve so far."""

    valve: int
    on_time_s: float
    count: int
    dp_pa: float | None
    ended_early: bool


@_event("pulse_failed")
class PulseFailed(Body):
    """A pulse that was commanded was not carried out, or is not known to have been."""

    valve: int
    detail: str


@_event("pulse_interrupted")
class PulseInterrupted(Body):
    """The daemon died while ``valve`` was commanded; it is not pulsed again for that."""

    valve: int


@_event("demand")
class DemandSet(Body):
    """The demand contact of the sequencer board was closed or opened."""

    closed: bool


@_event("outputs_changed")
class OutputsChanged(Body):
    """The outputs were lost, or proved again."""

    healthy: bool
    detail: str


@_event("alarm")
class AlarmChanged(Body):
    """An alarm entered ``state``, or what it watches changed while it was out of view: see
    config/alarms.md. ``active``: what it watches holds, after its delays (None: recorded by a
    version that did not say). ``why``: the reason ``by`` gave."""

    alarm: str
    state: str
    priority: str
    reason: Reason
    by: str
    active: bool | None = None
    why: str = ""


@_event("quality_changed")
class QualityChanged(Body):
    """The quality of the dP reading changed (NAMUR NE 107)."""

    quality: str
    reasons: tuple[Reason, ...]


@_event("finding")
class FindingChanged(Body):
    """Diagnosis from pulses found something (``found``), or found it gone. ``valve``: which valve
    or row, 0 where that is not known or all are meant; ``reason``: the evidence."""

    finding: str
    valve: int
    found: bool
    reason: Reason


@_event("mode_selected", in_log_book=True)
class ModeSelected(Body):
    """The cleaning mode was selected, by whom."""

    mode: str
    by: str


@_event("zero_taken", in_log_book=True)
class ZeroTaken(Body):
    """A new zero: ``offset_pa`` is subtracted from every reading from now on."""

    offset_pa: float
    previous_offset_pa: float
    by: str


@_event("zero_abandoned")
class ZeroAbandoned(Body):
    """Zeroing ended without a new zero."""

    reason: Reason
    by: str


@_event("blower_changed")
class BlowerChanged(Body):
    """Proof of the blower changed: running, off, or not known (None)."""

    running: bool | None


@_event("blower_run")
class BlowerRunSet(Body):
    """The blower run request was set or withdrawn."""

    run: bool
    reason: str


@_event("journal_changed")
class JournalChanged(Body):
    """The journal can no longer be written, or can again."""

    writable: bool
    detail: str


@_event("request_answered")
class RequestAnswered(Body):
    """What became of a request. ``by``: who made it, and ``identity`` how far that is known;
    ``change`` and ``points``: of a change of set points, its number, to confirm it by, and what it
    changes."""

    request_id: str
    request: str
    by: str
    accepted: bool
    reason: Reason
    change: int | None = None
    points: tuple[PointChange, ...] = ()
    identity: Identity = Identity.UNKNOWN


@_event("change_lapsed")
class ChangeLapsed(Body):
    """A change of set points that ``by`` had asked for was given up, unconfirmed."""

    change: int
    by: str
    reason: Reason


@_event("filters_changed", in_log_book=True)
class FiltersChanged(Body):
    """Filters were changed, as ``by`` has put on record, after the blower had run ``blower_run_s``
    since the last change; ``note``: what they added; ``valves``: those of the rows that were
    changed, empty: all of them."""

    blower_run_s: float
    note: str
    by: str
    valves: tuple[int, ...] = ()


@_event("log_entry", in_log_book=True)
class LogEntry(Body):
    """``by`` has put something into the log book. ``entry``: the transmitter zeroed at itself, the
    drum emptied, a damper moved, an upkeep done, or a note. ``upkeep``: which upkeep that
    completes, empty if none."""

    entry: str
    note: str
    upkeep: str
    by: str


@_event("upkeep_due", in_log_book=True)
class UpkeepDue(Body):
    """Upkeep is due. ``text``: what to do."""

    upkeep: str
    text: str


@_event("setting_changed", in_log_book=True)
class SettingChanged(Body):
    """Another value of a setting is in force, by a request or since a start; empty where it had or
    has none. Values are in the units of their names. ``by``: who asked for it, or who edited the
    settings file, as it says itself."""

    setting: str
    before: str
    after: str
    by: str


@_event("filter_life")
class FilterLifeChanged(Body):
    """What residual dP says of the filters at ``hours`` blower hours since their change.
    ``low_h``, ``high_h``: blower hours that remain, None beyond the horizon; ``confidence`` of that
    range."""

    outlook: str
    hours: float
    low_h: float | None
    high_h: float | None
    confidence: float
    residual_pa: float | None
    rise_pa_per_h: float | None
    points: int


@_event("air_used")
class AirUsed(Body):
    """Free air of the pulses since the last such account, an hour at most. ``from_utc_s``: of the
    first of them; ``measured`` of them at the header, ``rated`` as rated; ``blower_run_s``:
    running time since the last account."""

    from_utc_s: float | None
    free_m3: float
    mass_kg: float
    measured: int
    rated: int
    blower_run_s: float


@record
class Event:
    """One event. ``seq`` counts the events of this collector from 1, through every restart."""

    seq: int
    at: Stamp
    body: Body
