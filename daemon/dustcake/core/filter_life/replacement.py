"""Evidence that the filters no longer recover: cleaning that ran while dP stayed too high."""

from dustcake.core.cleaning.closed_time import ClosedTime
from dustcake.core.reading import Sample
from dustcake.core.record import record, replace
from dustcake.core.setpoints import OutputKind
from dustcake.core.step_context import StepContext


@record
class ReplacementState:
    """``above``: dP has reached the replacement set point and not fallen clearly below it since.

    What cleaning has run in that time with good air: whole ``pulses``, or for a sequencer board how
    long the demand contact has been ``closed``. ``fresh``: the filters have been changed, as
    somebody has recorded, and dP has not been above since. All kept through restarts and blower
    stops.
    """

    above: bool = False
    pulses: int = 0
    closed: ClosedTime = ClosedTime()
    fresh: bool = False


def good_air(context: StepContext, header: Sample | None) -> bool:
    """Whether the air of a pulse counts as good. No pulse is fired while the header is known to be
    out of its band; one fired while its pressure is not known proves nothing of the filters, unless
    it was in its band just before. Where no transmitter is fitted, air is taken to be there."""
    if context.setpoints.header is None or (header is not None and header.usable_pa is not None):
        return True
    gap, limits = context.line.header, context.setpoints.header_limits
    in_band = gap.pa is not None and limits.min_pa <= gap.pa <= limits.max_pa
    return in_band and context.holds(gap)


def pulsed(worn: ReplacementState, pulses: int) -> ReplacementState:
    """So many whole pulses have been fired, with good air."""
    return replace(worn, pulses=worn.pulses + pulses) if worn.above and pulses else worn


def restarted(worn: ReplacementState, last_s: float) -> ReplacementState:
    """After a restart: all valves off, so the contact is open since ``last_s`` at the latest."""
    return replace(worn, closed=worn.closed.follow(last_s, False))


def track(
    context: StepContext, worn: ReplacementState, dp_pa: float | None, demand_closed: bool
) -> ReplacementState:
    """Follow dP, None where it says nothing about the filters: bad reading, or no proved flow.
    ``demand_closed``: the contact of a sequencer board is closed, and there is good air."""
    limits = context.setpoints.limits
    if dp_pa is not None and dp_pa >= limits.replacement_pa:
        worn = worn if worn.above else replace(worn, above=True, fresh=False)
    elif dp_pa is not None and has_recovered(context, dp_pa):
        return ReplacementState(fresh=worn.fresh)
    if not worn.above:
        return worn
    return replace(worn, closed=worn.closed.follow(context.now_s, demand_closed))


def has_recovered(context: StepContext, dp_pa: float) -> bool:
    """Whether dP, at proved flow, is below the set point by its deadband."""
    limits = context.setpoints.limits
    return dp_pa < limits.replacement_pa - limits.deadband_pa


def proved(context: StepContext, worn: ReplacementState) -> bool:
    """Whether enough full cycles have run while dP stayed above."""
    if not worn.above:
        return False
    settings, cycles = context.setpoints.pulsing, context.setpoints.limits.replacement_cycles
    if settings.kind is not OutputKind.DEMAND_CONTACT:
        return worn.pulses >= cycles * len(settings.order)
    return context.is_due(worn.closed.reaches_s(cycles * settings.sequencer_cycle_s))
