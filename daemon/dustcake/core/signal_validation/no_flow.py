"""No dP, or a negative one, although the blower is proved running: a fault, never clean filters."""

from dustcake.core.reading import Sample
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.setpoints import Trust
from dustcake.core.signal_validation.doubts import cleared, doubted, find, is_well_formed
from dustcake.core.signal_validation.jump import line_at_fault
from dustcake.core.signal_validation.state import TrustState
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# A doubt goes only when dP is clearly there again.
CLEARS_AT = 2.0

_CODES = (Because.NEGATIVE_WITH_FLOW, Because.ZERO_WITH_FLOW)


def thresholds_pa(settings: Trust) -> tuple[float, ...]:
    """Every dP at which the answer changes."""
    limit_pa = settings.no_dp_pa
    return (-limit_pa, limit_pa, CLEARS_AT * limit_pa) if settings.no_dp_after_s > 0 else ()


def _is_reading(sample: Sample) -> bool:
    """Whether its number stands for a pressure. Swapped lines read far below the span."""
    return is_well_formed(sample) or sample.reasons[0].code is Because.BEYOND_SPAN


def with_flow(context: StepContext, state: State, trust: TrustState) -> TrustState:
    """Only a contact proves flow here: dP cannot speak for itself."""
    settings, sample, blower = context.setpoints.trust, state.sample, state.blower
    dp_pa = sample.pa if _is_reading(sample) else None
    if settings.no_dp_after_s <= 0 or not context.setpoints.fitted.blower_running:
        return trust
    stands = find(trust.doubts, *_CODES) is not None
    signals = state.line
    if (dp_pa is None and context.holds(signals.dp)) or context.holds(signals.blower_running):
        return trust
    if dp_pa is None or not blower.running:
        return trust if trust.no_dp_s is None else replace(trust, no_dp_s=None)
    if dp_pa > settings.no_dp_pa:
        if stands and dp_pa > CLEARS_AT * settings.no_dp_pa:
            trust = replace(trust, doubts=cleared(trust.doubts, *_CODES))
        return trust if trust.no_dp_s is None else replace(trust, no_dp_s=None)
    if stands:
        return trust
    since_s = signals.dp.begun(trust.no_dp_s, context.now_s)
    since_s = signals.blower_running.begun(since_s, context.now_s)
    trust = replace(trust, no_dp_s=since_s)
    if not context.is_due(max(since_s, blower.since_s) + settings.no_dp_after_s):
        return trust
    line = line_at_fault(settings, reads_high=False)
    reason = (
        because(Because.NEGATIVE_WITH_FLOW, line, dp_pa=dp_pa)
        if dp_pa < -settings.no_dp_pa
        else because(Because.ZERO_WITH_FLOW, dp_pa=dp_pa)
    )
    return replace(trust, doubts=doubted(trust.doubts, reason))
