"""What is remembered of a reading to judge it."""

from math import inf

from dustcake.core.record import record
from dustcake.core.signal_validation.doubts import Doubts


@record
class Jump:
    """dP went at once from ``from_pa`` to ``level_pa``, where it has been since ``since_s``; not
    believed yet."""

    from_pa: float
    level_pa: float
    since_s: float


@record
class Step:
    """dP has just left the band around its anchor; ``from_pa`` was read before. At ``due_s`` it is
    seen whether it went there at once. ``pulsing``: rows are being pulsed all the while."""

    from_pa: float
    due_s: float
    pulsing: bool = False


@record
class Still:
    """The reading was ``pa`` at the last ``looks`` looks, evenly spaced; the next is at
    ``next_s``."""

    pa: float
    looks: int
    next_s: float


@record
class ZeroCheck:
    """Readings, from ``from_s`` on, at the stop of the blower that began at ``stop_s``: ``n`` so
    far, which add up to ``sum_pa``. ``done``: this stop has been judged."""

    stop_s: float
    from_s: float = 0.0
    sum_pa: float = 0.0
    n: int = 0
    done: bool = False


@record
class TrustState:
    """``anchor_pa``: dP stays within half a jump of it until the next step. ``no_dp_s``: since when
    there has been no dP although the blower runs. ``zero_pa``: what was read at the last stop of
    the blower, None before the first. Doubts outlive restarts."""

    doubts: Doubts = ()
    jump: Jump | None = None
    anchor_pa: float | None = None
    step: Step | None = None
    still: Still | None = None
    no_dp_s: float | None = None
    zero: ZeroCheck | None = None
    zero_pa: float | None = None

    @property
    def due_s(self) -> float:
        """When the next reading is needed for more than to see whether it moves: at the first poll
        from then on."""
        step_s = inf if self.step is None else self.step.due_s
        zero_s = inf if self.zero is None or self.zero.done else self.zero.from_s
        return min(step_s, zero_s)


def restarted(trust: TrustState) -> TrustState:
    """After a restart: what was timed by the clock as it was begins anew."""
    return TrustState(doubts=trust.doubts, zero_pa=trust.zero_pa)
