"""All that is remembered of one collector from one step to the next."""

from enum import StrEnum
from math import inf

from dustcake.core.air.use import AirUse
from dustcake.core.alarms.names import Alarm
from dustcake.core.blower import BlowerState
from dustcake.core.cleaning.pace import Pace
from dustcake.core.cleaning.permissives import Permissive
from dustcake.core.cleaning.pulsing import PulsingState
from dustcake.core.cleaning.runs import CleaningState, Kind
from dustcake.core.filter_life.replacement import ReplacementState
from dustcake.core.filter_life.residual import FilterLife
from dustcake.core.line import Line
from dustcake.core.log_book import LogBook
from dustcake.core.outputs import OutputsState
from dustcake.core.pulse_response.state import DiagnosisState, nothing_known
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.requests.kinds import Mode, PointChange, Request
from dustcake.core.requests.set_point_overrides import Adjusted
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.state import TrustState
from dustcake.core.signals import Contacts
from dustcake.core.stamp import Stamp
from dustcake.core.zeroing import ZeroState


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
    kind: Kind | None
    reason: Reason
    permissives: tuple[Permissive, ...]


@record
class Quiet:
    """A promise: while polls bring good samples with dP strictly inside (``low_pa``, ``high_pa``),
    header pressure strictly inside (``header_low_pa``, ``header_high_pa``) where fitted, the same
    contacts, a clock set or not as before, and nothing else comes before ``until_s`` and
    ``State.next_look_s``, no step will do anything but remember the sample. None bounds are open.
    A property test holds the core to it."""

    low_pa: float | None
    high_pa: float | None
    header_low_pa: float | None
    header_high_pa: float | None
    until_s: float | None

    def covers_pa(self, pa: float) -> bool:
        """Whether a dP is within the promise."""
        low_pa, high_pa = self.low_pa, self.high_pa
        return (low_pa is None or pa > low_pa) and (high_pa is None or pa < high_pa)

    def covers_header_pa(self, pa: float) -> bool:
        """Whether a header pressure is."""
        low_pa, high_pa = self.header_low_pa, self.header_high_pa
        return (low_pa is None or pa > low_pa) and (high_pa is None or pa < high_pa)


@record
class Answer:
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


UNREAD = Contacts()


@record
class State:
    """One collector. ``started_s``: monotonic time of the last start; ``settings_mode``: the mode
    the settings had then (a later change of the settings overrides what was selected);
    ``deadline_s``: the next time at which something is due whatever is read; ``stopping``: an
    orderly stop is under way and no run may start."""

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
    pace: Pace
    pulsing: PulsingState
    outputs: OutputsState
    worn: ReplacementState
    trust: TrustState
    diagnosis: DiagnosisState
    journal: JournalState
    alarms: tuple[Alarm, ...]
    answers: tuple[Answer, ...]
    decision: Decision
    deadline_s: float | None
    quiet: Quiet | None
    log_book: LogBook = LogBook()
    life: FilterLife = FilterLife()
    air: AirUse = AirUse()
    adjusted: Adjusted = Adjusted()
    line: Line = Line()

    @property
    def relies_on_poll(self) -> bool:
        """Whether anything of the last poll still counts, and so can go stale."""
        return (
            self.sample.quality is not Quality.FAILURE
            or self.header is not None
            or self.contacts != UNREAD
        )

    def remembering(self, sample: Sample, header: Sample | None) -> "State":
        """The same state with a newer sample: what a quiet step comes to, so built by hand."""
        return State(
            self.next_seq,
            self.next_command,
            self.started_s,
            self.stopping,
            self.mode,
            self.settings_mode,
            sample,
            header,
            self.contacts,
            self.zero,
            self.blower,
            self.cleaning,
            self.pace,
            self.pulsing,
            self.outputs,
            self.worn,
            self.trust,
            self.diagnosis,
            self.journal,
            self.alarms,
            self.answers,
            self.decision,
            self.deadline_s,
            self.quiet,
            self.log_book,
            self.life,
            self.air,
            self.adjusted,
            self.line,
        )

    @property
    def next_look_s(self) -> float:
        """When the reading itself is next looked at: at the first poll from then on."""
        still_s = inf if self.trust.still is None else self.trust.still.next_s
        return min(still_s, self.trust.due_s)


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
        pace=Pace(),
        pulsing=PulsingState((0,) * len(setpoints.pulsing.order), at.mono_s),
        outputs=OutputsState(),
        worn=ReplacementState(),
        trust=TrustState(),
        diagnosis=nothing_known(len(setpoints.pulsing.order)),
        journal=JournalState(),
        alarms=tuple(Alarm(setting.name) for setting in setpoints.alarms),
        answers=(),
        decision=Decision(mode, Phase.IDLE, None, nothing, ()),
        deadline_s=None,
        quiet=None,
    )
