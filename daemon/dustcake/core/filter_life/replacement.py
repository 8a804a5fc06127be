"""Evidence that the filters no longer recover: cleaning that ran while dP stayed too high."""

from dustcake.core.blower import is_known
from dustcake.core.filter_life.state import ReplacementState
from dustcake.core.record import replace, update
from dustcake.core.setpoints import OutputKind
from dustcake.core.state import State
from dustcake.core.step_context import StepContext


def good_air(context: StepContext, state: State) -> bool:
    """Whether the air of a pulse counts as good. No pulse is fired while the header is known to be
    out of its band; one fired while its pressure is not known proves nothing of the filters, unless
    it was in its band just before. Where no transmitter is fitted, air is taken to be there."""
    header = state.header
    if context.setpoints.header is None or (header is not None and header.usable_pa is not None):
        return True
    gap, limits = state.line.header, context.setpoints.header_limits
    in_band = gap.pa is not None and limits.min_pa <= gap.pa <= limits.max_pa
    return in_band and context.holds(gap)


def pulsed(worn: ReplacementState, pulses: int) -> ReplacementState:
    """So many whole pulses have been fired, with good air."""
    return replace(worn, pulses=worn.pulses + pulses) if worn.above and pulses else worn


def restart(context: StepContext, state: State) -> State:
    """After a restart: all valves off, so the contact is open since then at the latest."""
    worn = state.replacement
    return replace(
        state, replacement=replace(worn, closed=worn.closed.follow(context.last_s, False))
    )


def advance(context: StepContext, state: State) -> State:
    """Follow dP. It says nothing about the filters in a bad reading, or with no proved flow."""
    flow = state.blower.running and is_known(context, state)
    dp_pa = state.sample.usable_pa if flow else None
    worn = _tracked(context, state, dp_pa)
    if worn.fresh and proved(context, worn):
        worn = replace(worn, fresh=False)
    return update(state, replacement=worn)


def _tracked(context: StepContext, state: State, dp_pa: float | None) -> ReplacementState:
    worn, limits = state.replacement, context.setpoints.limits
    if dp_pa is not None and dp_pa >= limits.replacement_pa:
        worn = worn if worn.above else replace(worn, above=True)
    elif dp_pa is not None and has_recovered(context, dp_pa):
        recovered = ReplacementState(fresh=worn.fresh)
        return worn if worn == recovered else recovered
    if not worn.above:
        return worn
    # The contact of a sequencer board is closed, and there is good air.
    with_air = state.pulsing.demand_closed and good_air(context, state)
    return replace(worn, closed=worn.closed.follow(context.now_s, with_air))


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
