"""The reading at every stop of the blower: it must fall to zero, and zero must stay where it is."""

from dustcake.core.blower import is_known
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.signal_validation.doubts import JUMPS, cleared, doubted, is_well_formed
from dustcake.core.signal_validation.state import TrustState, ZeroCheck
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# Readings averaged at one stop: noise of the mean is a third of that of one.
READINGS = 10

_JUDGED_HERE = (Because.ZERO_DRIFT, Because.NOT_TO_ZERO)


def at_rest(context: StepContext, state: State, trust: TrustState, *, pulsing: bool) -> TrustState:
    """Average a few readings once in each stop. ``pulsing``: pulses disturb the reading now."""
    sample, blower = state.sample, state.blower
    after_s, check = context.setpoints.trust.zero_check_after_s, trust.zero
    if after_s <= 0 or not context.setpoints.fitted.blower_running or blower.running is not False:
        return trust if check is None else replace(trust, zero=None)
    if check is None or check.stop_s != blower.since_s:
        check = ZeroCheck(blower.since_s, blower.since_s + after_s)
        trust = replace(trust, zero=check)
    if check.done or context.now_s < check.from_s or not context.polled:
        return trust
    well_formed = is_well_formed(sample)
    if not is_known(context, state) or (not well_formed and context.holds(state.line.dp)):
        return trust  # one lost reply does not begin the average anew
    check = with_reading(check, sample.pa if well_formed else None, pulsing=pulsing)
    if check.n < READINGS:
        return replace(trust, zero=check)
    return _judged(context, replace(trust, zero=replace(check, done=True)), check.sum_pa / check.n)


def with_reading(check: ZeroCheck, pa: float | None, *, pulsing: bool) -> ZeroCheck:
    """One more reading in the average, or none any more: they have to be in a row. ``pa`` None:
    not well formed."""
    if pulsing or pa is None:
        return ZeroCheck(check.stop_s, check.from_s)
    return replace(check, sum_pa=check.sum_pa + pa, n=check.n + 1)


def _judged(context: StepContext, trust: TrustState, zero_pa: float) -> TrustState:
    settings = context.setpoints.trust
    doubts = cleared(trust.doubts, *_JUDGED_HERE)
    if abs(zero_pa) > settings.not_zero_pa:
        reason = because(
            Because.NOT_TO_ZERO, zero_pa=zero_pa, blower_off_s=settings.zero_check_after_s
        )
        doubts = doubted(doubts, reason)
    else:
        doubts = cleared(doubts, Because.NO_RIPPLE)  # what falls in time is not plugged
        if abs(zero_pa) > settings.zero_drift_pa:
            reason = because(Because.ZERO_DRIFT, zero_pa=zero_pa, limit_pa=settings.zero_drift_pa)
            doubts = doubted(doubts, reason)
    return replace(trust, doubts=doubts, zero_pa=zero_pa)


def rezeroed(trust: TrustState) -> TrustState:
    """A new zero has been taken: somebody has looked after the transmitter and its lines."""
    codes = (*_JUDGED_HERE, *JUMPS, Because.NO_RIPPLE)
    return replace(trust, doubts=cleared(trust.doubts, *codes))
