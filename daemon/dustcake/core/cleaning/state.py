"""What is remembered of cleaning: the run under way, its pulses, and what they wait for."""

from enum import StrEnum
from math import inf

from dustcake.core.reasons import Because, Reason
from dustcake.core.record import record

PERMISSIVES = (
    "valid_reading",
    "blower_running",
    "no_smoke",
    "no_stop",
    "door_shut",
    "header_pressure",
    "outputs_healthy",
    "journal_writable",
    "settled",
)
"""What may be asked for before a pulse, in the order it is shown: a PLC knows them by their place,
and a new one goes to the end."""


class Met(StrEnum):
    """State of a permissive."""

    YES = "yes"
    NO = "no"
    NOT_FITTED = "not_fitted"


@record
class Permissive:
    """``reason`` where it is missing. ``holds_only``: while missing it withholds pulses but does
    not end a cleaning run."""

    name: str
    met: Met
    reason: Reason | None = None
    holds_only: bool = False


class RunKind(StrEnum):
    """Kinds of cleaning run."""

    ON_DEMAND = "on_demand"
    TIMED = "timed"
    FALLBACK = "fallback"  # timed, because the reading cannot be trusted
    DOWNTIME = "downtime"  # after the blower has stopped and spun down


@record
class ClosedTime:
    """Seconds closed up to ``since_s``; ``since_s``: closed since then, None while open."""

    closed_s: float = 0.0
    since_s: float | None = None

    def follow(self, now_s: float, closed: bool) -> "ClosedTime":
        """The same with the contact as it is now."""
        if closed is (self.since_s is not None):
            return self
        return ClosedTime(self.at(now_s), now_s if closed else None)

    def at(self, now_s: float) -> float:
        """Seconds closed by now."""
        return self.closed_s + (0.0 if self.since_s is None else max(0.0, now_s - self.since_s))

    def reaches_s(self, wanted_s: float) -> float:
        """When it will have been closed for ``wanted_s``; never, while open and short of it."""
        if self.since_s is not None:
            return self.since_s + (wanted_s - self.closed_s)
        return -inf if self.closed_s >= wanted_s else inf


@record
class Run:
    """A cleaning run under way. ``last_cycle``: the low set point has been reached, and the run
    ends when this many full cycles have run. What it has run so far: ``pulses`` commanded, the
    last at ``last_pulse_s``, or for a sequencer board how long the demand contact has been
    ``closed``."""

    kind: RunKind
    started_s: float
    pulses: int = 0
    last_pulse_s: float | None = None
    last_cycle: int | None = None
    closed: ClosedTime = ClosedTime()


@record
class CleaningState:
    """``high_since_s``: dP has been at or above the high set point since then, and no run on its
    way to the low one.
    Held while dP is not known for less than ``stale_after_s``.
    ``bad_since_s``: the reading has not been usable since then. ``resting_until_s``: after a run
    that reached its limit of cycles; ``not_effective``: it did, and dP has not been down to low at
    proved flow since.
    """

    run: Run | None = None
    high_since_s: float | None = None
    bad_since_s: float | None = None
    resting_until_s: float | None = None
    not_effective: bool = False
    reason: Reason = Reason(Because.NO_SAMPLE_YET)

    @property
    def kind(self) -> RunKind | None:
        """That of the run under way."""
        return None if self.run is None else self.run.kind


@record
class Pace:
    """``ended_s``: when the last on-demand run ended; ``short``: how many in a row began too soon
    after the one before."""

    ended_s: float | None = None
    short: int = 0


@record
class InFlight:
    """A command whose outcome is not known yet. ``valve`` None: the demand contact; ``cut``: every
    valve has been commanded off since."""

    command_id: int
    valve: int | None
    closed: bool
    due_s: float
    cut: bool = False


@record
class PulsingState:
    """``next_index`` into the row order; ``last_s``: when the last pulse began, or may have begun
    before a start; ``counts``: pulses of each valve, valve 1 first; ``last_valve``: the last that
    fired; ``failures``: pulses that failed since; ``demand_closed``: what the demand
    contact was last set to with success; ``retry_s``: setting it has gone wrong, and is not tried
    again before then."""

    counts: tuple[int, ...]
    last_s: float
    next_index: int = 0
    last_valve: int | None = None
    failures: int = 0
    in_flight: InFlight | None = None
    demand_closed: bool = False
    retry_s: float | None = None
