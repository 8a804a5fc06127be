"""Evidence that the filters no longer recover: cleaning that ran while dP stayed too high."""

from dustcake.core.closed_time import ClosedTime
from dustcake.core.record import record, replace
from dustcake.core.setpoints import OutputKind
from dustcake.core.turn import Turn


@record
class ReplacementState:
    """``above``: dP has reached the replacement set point and not fallen clearly below it since.

    What cleaning has run in that time: ``pulses``, or for a sequencer board how long the demand
    contact has been ``closed``. Pulses are fired only when the header permits, so air was there.
    Kept through restarts and blower stops.
    """

    above: bool = False
    pulses: int = 0
    closed: ClosedTime = ClosedTime()


def restarted(worn: ReplacementState, last_s: float) -> ReplacementState:
    """After a restart: all valves off, so the contact is open since ``last_s`` at the latest."""
    return replace(worn, closed=worn.closed.follow(last_s, False))


def track(
    turn: Turn, worn: ReplacementState, dp_pa: float | None, demand_closed: bool
) -> ReplacementState:
    """Follow dP, None where it says nothing about the filters: bad reading, or no proved flow."""
    limits = turn.setpoints.limits
    if dp_pa is not None and dp_pa >= limits.replacement_pa:
        worn = worn if worn.above else replace(worn, above=True)
    elif dp_pa is not None and dp_pa < limits.replacement_pa - limits.deadband_pa:
        return ReplacementState()
    if not worn.above:
        return worn
    return replace(worn, closed=worn.closed.follow(turn.now_s, demand_closed))


def proved(turn: Turn, worn: ReplacementState) -> bool:
    """Whether enough full cycles have run while dP stayed above."""
    if not worn.above:
        return False
    settings, cycles = turn.setpoints.pulsing, turn.setpoints.limits.replacement_cycles
    if settings.kind is not OutputKind.DEMAND_CONTACT:
        return worn.pulses >= cycles * len(settings.order)
    return turn.reached(worn.closed.reaches_s(cycles * settings.sequencer_cycle_s))
