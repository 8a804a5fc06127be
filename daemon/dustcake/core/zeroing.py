"""Taking the zero of the dP transmitter, with the blower off."""

from dustcake.core.blower import is_known
from dustcake.core.events import ZeroAbandoned, ZeroTaken
from dustcake.core.reading import Quality
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.requests.kinds import RequestOutcome, SetZero
from dustcake.core.signal_validation.checks import zero_taken
from dustcake.core.state import Handled, State, ZeroState
from dustcake.core.step_context import StepContext


def request(context: StepContext, state: State, wanted: SetZero, by: str) -> Handled:
    """Begin, or refuse with the reason."""
    refusal = _refusal(context, state, wanted)
    if refusal is not None:
        return state, RequestOutcome(False, refusal)
    zero = replace(state.zero, by=by or "unknown", started_s=context.now_s, sum_pa=0.0, n=0)
    reason = because(Because.ZERO_STARTED, average_s=context.setpoints.zeroing.average_s)
    return replace(state, zero=zero), RequestOutcome(True, reason)


def _refusal(context: StepContext, state: State, wanted: SetZero) -> Reason | None:
    settings, blower, sample = context.setpoints.zeroing, state.blower, state.sample
    if state.zero.under_way:
        return because(Because.ALREADY_ZEROING)
    if context.setpoints.fitted.blower_running:
        if blower.running is not False or context.now_s < blower.since_s + settings.blower_off_s:
            return because(Because.ZERO_BLOWER_NOT_OFF, blower_off_s=settings.blower_off_s)
    elif not wanted.blower_off_confirmed:
        return because(Because.ZERO_BLOWER_NOT_CONFIRMED)
    if sample.usable_pa is None:
        return sample.reasons[0]
    too_far = _too_far(context, sample.usable_pa + state.zero.offset_pa)
    if too_far is None and state.cleaning.run is not None:
        return because(Because.ZERO_WHILE_CLEANING)
    return too_far


def _too_far(context: StepContext, raw_pa: float) -> Reason | None:
    """A transmitter that is far from zero with no flow has a fault that a zero would hide."""
    limit_pa = context.setpoints.zeroing.limit_pa
    if abs(raw_pa) <= limit_pa:
        return None
    return because(Because.ZERO_TOO_FAR, dp_pa=raw_pa, limit_pa=limit_pa)


def restart(context: StepContext, state: State) -> State:
    """A zero that was being taken when the daemon ended is abandoned; the one before it stays."""
    zero = state.zero
    if zero.under_way:
        context.emit(ZeroAbandoned(because(Because.RESTARTED), zero.by))
    return replace(state, zero=ZeroState(zero.offset_pa, zero.taken_utc_s))


def advance(context: StepContext, state: State) -> State:
    """Finish when the time is up; abandon if the blower or a cleaning run starts, or the reading is
    lost or too far."""
    zero = state.zero
    if not zero.under_way:
        return state
    why = _why_abandon(context, state)
    if why is not None:
        context.emit(ZeroAbandoned(why, zero.by))
        return replace(state, zero=ZeroState(zero.offset_pa, zero.taken_utc_s))
    if not context.is_due(zero.started_s + context.setpoints.zeroing.average_s):
        return state
    lost = state.sample.usable_pa is None and state.sample.quality is not Quality.FUNCTION_CHECK
    if zero.n == 0 or lost or not is_known(context, state):
        # No reading has come since the request, or none now, or nobody knows whether the blower
        # is off; the stale-data limit ends a long wait.
        return state
    # Each reading was within the limit, so their mean is.
    offset_pa = zero.sum_pa / zero.n
    context.emit(ZeroTaken(offset_pa, zero.offset_pa, zero.by))
    return replace(
        state,
        zero=ZeroState(offset_pa, context.at.utc_s),
        signal_validation=zero_taken(state.signal_validation),
    )


def needs_next_poll(_context: StepContext, state: State) -> bool:
    """While a zero is taken, every reading counts."""
    return state.zero.under_way


def _why_abandon(context: StepContext, state: State) -> Reason | None:
    sample = state.sample
    if context.setpoints.fitted.blower_running and state.blower.running is not False:
        return because(Because.ZERO_BLOWER_NOT_OFF, blower_off_s=0.0)
    if state.cleaning.run is not None:
        return because(Because.ZERO_WHILE_CLEANING)
    if sample.quality is Quality.FUNCTION_CHECK and sample.pa is not None:
        return _too_far(context, sample.pa + state.zero.offset_pa)
    if sample.usable_pa is None and not (sample.pa is None and context.holds(state.line.dp)):
        return because(Because.ZERO_READING_LOST)
    return None
