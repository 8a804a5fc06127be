"""All that is remembered of one collector from one step to the next."""

from enum import StrEnum
from math import inf

from dustcake.core.air.state import AirUse
from dustcake.core.alarms.names import Alarm
from dustcake.core.cleaning.state import CleaningState, Pace, Permissive, PulsingState, RunKind
from dustcake.core.filter_life.state import FilterLife, ReplacementState
from dustcake.core.inputs import Contacts, Stamp
from dustcake.core.pulse_response.state import PulseResponseState, nothing_known
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.requests.kinds import (
    Mode,
    PointChange,
    Request,
    RequestOutcome,
    SetPointOverrides,
)
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_gaps import SignalGaps
from dustcake.core.signal_validation.state import SignalValidation


class Phase(StrEnum):
    """What the collector is doing, in one word."""

    OFF = "off"  # cleaning is switched off
    IDLE = "idle"  # nothing to do
    WAITING = "waiting"  # something is about to happen when a delay has passed
    CLEANING = "cleaning"
    HELD = "held"  # in a run, but a permissive withholds pulses for now
    BLOCKED = "blocked"  # cleaning is wanted and a permissive is missing
    RESTING = "resting"  # cleaning reached its limit of cycles and pauses


@record
class Decision:
    """What is being done and why, with every permissive."""

    mode: Mode
    phase: Phase
    kind: RunKind | None
    reason: Reason
    permissives: tuple[Permissive, ...]


@record
class Quiet:
    """A promise: while polls bring good samples with dP strictly inside (``low_pa``, ``high_pa``),
    header pressure strictly inside (``header_low_pa``, ``header_high_pa``) where fitted, the same
    contacts, a clock set or not as before, and nothing else comes before ``until_s`` and
    ``State.next_check_s``, no step will do anything but remember the sample. None bounds are open.
    A property test holds the core to it."""

    low_pa: float | None
    high_pa: float | None
    header_low_pa: float | None
    header_high_pa: float | None
    until_s: float | None

    def covers_pa(self, pa: float) -> bool:
        """Whether a dP is within the promise."""
        return _is_between(self.low_pa, pa, self.high_pa)

    def covers_header_pa(self, pa: float) -> bool:
        """Whether a header pressure is."""
        return _is_between(self.header_low_pa, pa, self.header_high_pa)


def _is_between(low_pa: float | None, pa: float, high_pa: float | None) -> bool:
    return (low_pa is None or pa > low_pa) and (high_pa is None or pa < high_pa)


@record
class RecordedAnswer:
    """What a request was answered, so that the same one sent again does not act again.
    ``request`` None: recorded by a version that did not keep it."""

    request_id: str
    accepted: bool
    reason: Reason
    by: str = ""
    request: Request | None = None
    change: int | None = None
    points: tuple[PointChange, ...] = ()


@record
class JournalState:
    """``fault``: why the journal cannot be written; None when it can."""

    fault: str | None = None


@record
class BlowerState:
    """``running``: True or False where proved, None where not known; ``since_s``: since when.

    ``run_s``: running time collected since the last downtime cleaning, up to ``since_s``;
    ``total_s``: ever.
    ``by_hand``: a person wants it to run. ``barred``: smoke or the stop input has withdrawn the
    request, and the process has not stopped since. ``requested``: what the run output was last
    commanded to, None when it must be commanded again; ``announced``: what the last event said.
    ``command_id`` while a command is under way, then ``due_s`` is when its outcome is due; after a
    failure it is when to try again, and ``fault`` says what went wrong.
    """

    since_s: float
    running: bool | None = None
    run_s: float = 0.0
    by_hand: bool = False
    barred: bool = False
    process_off_s: float | None = None
    requested: bool | None = None
    announced: bool = False
    command_id: int | None = None
    due_s: float | None = None
    fault: str = ""
    total_s: float = 0.0

    def run_until_s(self, now_s: float) -> float:
        """Running time since the last downtime cleaning."""
        return self.run_s + (now_s - self.since_s if self.running else 0.0)

    def total_until_s(self, now_s: float) -> float:
        """Running time ever."""
        return self.total_s + (now_s - self.since_s if self.running else 0.0)

    def total_reaches_s(self, wanted_s: float) -> float:
        """When it will have run for ``wanted_s`` in all; never, while it stands and is short."""
        if self.running:
            return self.since_s + (wanted_s - self.total_s)
        return -inf if self.total_s >= wanted_s else inf


@record
class ZeroState:
    """``offset_pa``: what the transmitter reads at zero pressure. ``by`` is not empty while a
    zero is being taken: since ``started_s``, from ``n`` readings that add up to ``sum_pa``."""

    offset_pa: float = 0.0
    taken_utc_s: float | None = None
    by: str = ""
    started_s: float = 0.0
    sum_pa: float = 0.0
    n: int = 0

    @property
    def under_way(self) -> bool:
        """A zero is being taken."""
        return self.by != ""


@record
class OutputsState:
    """``proved``: every valve has been proved off since the last start or fault.

    ``fault``: what went wrong last, empty when nothing; ``stuck``: a valve reads energised.
    ``off_id`` while an all-off is under way, ``due_s`` its end, or the time of the next try.
    """

    proved: bool = False
    fault: str = ""
    stuck: bool = False
    off_id: int | None = None
    due_s: float | None = None


@record
class MaintenanceTask:
    """One task, and when it was last done: time of day (None: the clock has not been known since),
    running time of the blower, and pulses of all valves. ``due_s``: when it is due by the calendar,
    None where that does not count or is not known."""

    name: str
    done_utc_s: float | None
    done_run_s: float
    done_pulses: int
    due: bool = False
    due_s: float | None = None


@record
class MaintenanceTasks:
    """All tasks. ``clock_s``: time of day less monotonic time, as the ``due_s`` were made from."""

    tasks: tuple[MaintenanceTask, ...] = ()
    clock_s: float | None = None


@record
class LogBook:
    """``filters_changed_s``: running time of the blower when filters were last changed, and
    ``filters_changed_utc_s`` the time of day; None: never recorded, or not known. ``settings``: the
    set points last in force, a line each, so that a change of them is noticed."""

    filters_changed_s: float | None = None
    filters_changed_utc_s: float | None = None
    maintenance: MaintenanceTasks = MaintenanceTasks()
    settings: str = ""


UNREAD = Contacts()


@record
class State:
    """One collector. ``started_s``: monotonic time of the last start; ``settings_mode``: the mode
    the settings had then (a later change of the settings overrides what was selected);
    ``deadline_s``: the next time at which something is due whatever is read; ``stopping``: an
    orderly stop is under way and no run may start; ``line``: how well the signals answer."""

    next_seq: int
    next_command: int
    started_s: float
    stopping: bool
    mode: Mode
    settings_mode: Mode
    sample: Sample
    header: Sample | None
    contacts: Contacts
    zero: ZeroState
    blower: BlowerState
    cleaning: CleaningState
    cleaning_pace: Pace
    pulsing: PulsingState
    outputs: OutputsState
    replacement: ReplacementState
    signal_validation: SignalValidation
    pulse_response: PulseResponseState
    journal: JournalState
    alarms: tuple[Alarm, ...]
    answers: tuple[RecordedAnswer, ...]
    decision: Decision
    deadline_s: float | None
    quiet: Quiet | None
    log_book: LogBook = LogBook()
    filter_life: FilterLife = FilterLife()
    air: AirUse = AirUse()
    set_point_overrides: SetPointOverrides = SetPointOverrides()
    line: SignalGaps = SignalGaps()

    @property
    def header_pa(self) -> float | None:
        """Header pressure, where there is a usable one."""
        return None if self.header is None else self.header.usable_pa

    @property
    def relies_on_poll(self) -> bool:
        """Whether anything of the last poll still counts, and so can go stale."""
        return (
            self.sample.quality is not Quality.FAILURE
            or self.header is not None
            or self.contacts != UNREAD
        )

    @property
    def next_check_s(self) -> float:
        """When the reading itself is next checked: at the first poll from then on."""
        frozen_s = (
            inf if self.signal_validation.frozen is None else self.signal_validation.frozen.next_s
        )
        return min(frozen_s, self.signal_validation.due_s)


Handled = tuple[State, RequestOutcome]
"""What follows from a request: the state, and what is answered."""


def first_state(setpoints: Setpoints, at: Stamp) -> State:
    """A collector nothing is known of yet. Feed it ``Restarted`` before anything else."""
    nothing = because(Because.NO_SAMPLE_YET)
    mode = setpoints.cleaning.mode
    return State(
        next_seq=1,
        next_command=1,
        started_s=at.mono_s,
        stopping=False,
        mode=mode,
        settings_mode=mode,
        sample=Sample(at, None, Quality.FAILURE, (nothing,)),
        header=None,
        contacts=Contacts(),
        zero=ZeroState(),
        blower=BlowerState(since_s=at.mono_s),
        cleaning=CleaningState(),
        cleaning_pace=Pace(),
        pulsing=PulsingState((0,) * len(setpoints.pulsing.order), at.mono_s),
        outputs=OutputsState(),
        replacement=ReplacementState(),
        signal_validation=SignalValidation(),
        pulse_response=nothing_known(len(setpoints.pulsing.order)),
        journal=JournalState(),
        alarms=tuple(Alarm(setting.name) for setting in setpoints.alarms),
        answers=(),
        decision=Decision(mode, Phase.IDLE, None, nothing, ()),
        deadline_s=None,
        quiet=None,
    )
