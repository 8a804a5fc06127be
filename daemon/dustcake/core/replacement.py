"""Evidence that the filters no longer recover: cleaning that ran while dP stayed too high."""

from dataclasses import replace

from dustcake.core.record import record
from dustcake.core.setpoints import OutputKind
from dustcake.core.turn import Turn


@record
class ReplacementState:
    """``above``: dP has reached the replacement set point and not fallen clearly below it since.

    What cleaning has run in that time: ``pulses``, or for a sequencer board ``closed_s`` seconds
    of closed demand contact up to ``closed_since_s`` (None while it is open). Pulses are fired
    only when the header permits, so air was there. Kept through restarts and blower stops.
    """

    above: bool = False
    pulses: int = 0
    closed_s: float = 0.0
    closed_since_s: float | None = None


def track(
    turn: Turn, worn: ReplacementState, dp_pa: float | None, demand_closed: bool
) -> ReplacementState:
    """Follow dP, None where it says nothing about the filters: bad reading, or no proved flow."""
    limits = turn.setpoints.limits
    if dp_pa is not None and dp_pa >= limits.replacement_pa:
        worn = worn if worn.above else replace(worn, above=True)
    elif dp_pa is not None and dp_pa < limits.replacement_pa - limits.deadband_pa:
        return ReplacementState()
    if not worn.above or demand_closed is (worn.closed_since_s is not None):
        return worn
    if worn.closed_since_s is None:
        return replace(worn, closed_since_s=turn.now_s)
    closed_s = worn.closed_s + turn.now_s - worn.closed_since_s
    return replace(worn, closed_s=closed_s, closed_since_s=None)


def proved(turn: Turn, worn: ReplacementState) -> bool:
    """Whether enough full cycles have run while dP stayed above."""
    if not worn.above:
        return False
    settings, cycles = turn.setpoints.pulsing, turn.setpoints.limits.replacement_cycles
    if settings.kind is not OutputKind.DEMAND_CONTACT:
        return worn.pulses >= cycles * len(settings.order)
    needed_s = cycles * settings.sequencer_cycle_s
    if worn.closed_since_s is None:
        return worn.closed_s >= needed_s
    due_s = worn.closed_since_s + (needed_s - worn.closed_s)
    if turn.now_s >= due_s:
        return True
    turn.by(due_s)
    return False
