"""Doubts about the reading, the quality they leave it, and what is remembered to validate it."""

from math import inf

from dustcake.core.inputs import Stamp
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, Reason
from dustcake.core.record import record


@record
class Doubt:
    """One thing that speaks against the reading. ``quality``: what it makes of a good one."""

    quality: Quality
    reason: Reason


Doubts = tuple[Doubt, ...]

DEAD = frozenset(
    {
        Because.FROZEN,
        Because.NO_RIPPLE,
        Because.NOT_TO_ZERO,
        Because.NEGATIVE_WITH_FLOW,
        Because.ZERO_WITH_FLOW,
    }
)
"""Doubts that leave nothing to rest a decision on."""

JUMPS = (Because.ROSE_AT_ONCE, Because.FELL_AT_ONCE)
"""Doubts that stay until dP jumps back, a zero is taken, or a moved damper is recorded. An open
line falls to zero with the blower as any other does, so that proves nothing."""

SENSING_LINE_DOUBTS = DEAD | {Because.ROSE_AT_ONCE}
"""Doubts behind which a fault of a sensing line may be. A fall may be one as well, but also a
filter that has come off, which is worse."""

_ALL = SENSING_LINE_DOUBTS | {Because.FELL_AT_ONCE, Because.ZERO_DRIFT}


def doubted(doubts: Doubts, reason: Reason) -> Doubts:
    """``doubts`` with this one; one that is there already stays as it was."""
    if find(doubts, reason.code) is not None:
        return doubts
    quality = Quality.FAILURE if reason.code in DEAD else Quality.MAINTENANCE_REQUIRED
    return (*doubts, Doubt(quality, reason))


def cleared(doubts: Doubts, *codes: Because) -> Doubts:
    """``doubts`` without those of these codes."""
    if not any(doubt.reason.code in codes for doubt in doubts):
        return doubts
    return tuple(doubt for doubt in doubts if doubt.reason.code not in codes)


def find(doubts: Doubts, *codes: Because) -> Doubt | None:
    """The first doubt of one of these codes."""
    return next((d for d in doubts if d.reason.code in codes), None) if doubts else None


def well_formed_pa(sample: Sample) -> float | None:
    """The value of a sample, where nothing but standing doubts speaks against it."""
    if sample.reasons and not all(reason.code in _ALL for reason in sample.reasons):
        return None
    return sample.pa


def in_doubt(doubts: Doubts, at: Stamp, pa: float) -> Sample:
    """A well-formed reading of ``pa`` with what these doubts make of it, the worst first."""
    if not doubts:
        return Sample(at, pa, Quality.GOOD)
    worst_first = sorted(doubts, key=lambda doubt: doubt.quality is not Quality.FAILURE)
    return Sample(at, pa, worst_first[0].quality, tuple(each.reason for each in worst_first))


@record
class Jump:
    """dP went at once from ``from_pa`` to ``level_pa``, where it has been since ``since_s``; not
    believed yet."""

    from_pa: float
    level_pa: float
    since_s: float


@record
class Excursion:
    """dP has just left the band around its anchor; ``from_pa`` was read before. At ``due_s`` it
    shows whether it went there at once. ``pulsing``: rows have been pulsed all the while."""

    from_pa: float
    due_s: float
    pulsing: bool = False


@record
class FrozenCheck:
    """The reading was ``pa`` at the last ``same`` checks, evenly spaced; the next is at
    ``next_s``."""

    pa: float
    same: int
    next_s: float


@record
class ZeroCheck:
    """Readings, from ``from_s`` on, at the stop of the blower that began at ``stop_s``: ``n`` so
    far, which add up to ``sum_pa``. ``done``: zero has been checked at this stop."""

    stop_s: float
    from_s: float = 0.0
    sum_pa: float = 0.0
    n: int = 0
    done: bool = False


@record
class SignalValidation:
    """``anchor_pa``: dP stays within half a jump of it until the next excursion. ``no_dp_s``: since
    when there has been no dP although the blower runs. ``zero_pa``: what was read at the last stop
    of the blower, None before the first. Doubts outlive restarts."""

    doubts: Doubts = ()
    jump: Jump | None = None
    anchor_pa: float | None = None
    excursion: Excursion | None = None
    frozen: FrozenCheck | None = None
    no_dp_s: float | None = None
    zero_check: ZeroCheck | None = None
    zero_pa: float | None = None

    @property
    def due_s(self) -> float:
        """When the next reading is needed for more than to see whether it moves: at the first poll
        from then on."""
        excursion_s = inf if self.excursion is None else self.excursion.due_s
        check = self.zero_check
        return min(excursion_s, inf if check is None or check.done else check.from_s)
