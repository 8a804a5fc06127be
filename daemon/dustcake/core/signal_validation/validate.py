"""All that is asked of a reading at one step, in order."""

from dustcake.core.cleaning.state import PulsingState, Run
from dustcake.core.events import QualityChanged
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because
from dustcake.core.record import replace, update
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation import no_flow
from dustcake.core.signal_validation.doubts import in_doubt, is_well_formed
from dustcake.core.signal_validation.frozen import still
from dustcake.core.signal_validation.jump import anchor_band_pa, steady, stepped
from dustcake.core.signal_validation.state import TrustState, restarted
from dustcake.core.signal_validation.zero_check import at_rest
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# How long after a pulse dP may still answer to it.
_ANSWERS_FOR_S = 15.0


def is_pulsed(run: Run | None, pulsing: PulsingState, now_s: float) -> bool:
    """Whether pulses explain that dP changes: a run is under way, or one has just been fired."""
    return run is not None or now_s < pulsing.last_s + _ANSWERS_FOR_S


def restart(_context: StepContext, state: State) -> State:
    """After a restart: what was timed by the clock as it was begins anew; doubts stay."""
    return replace(state, trust=restarted(state.trust))


def advance(context: StepContext, state: State) -> State:
    """The doubts as they are now, and the sample with the quality they leave it."""
    pulsing = is_pulsed(state.cleaning.run, state.pulsing, context.now_s)
    trust = _judged(context, state, pulsing=pulsing)
    return update(state, trust=trust, sample=_believed(context, state.sample, trust))


def thresholds_pa(setpoints: Setpoints, state: State) -> tuple[float, ...]:
    """Every dP at which a doubt may come or go, or something is remembered of the reading."""
    return (
        *no_flow.thresholds_pa(setpoints.trust),
        *anchor_band_pa(setpoints.trust, state.trust),
    )


def _judged(context: StepContext, state: State, *, pulsing: bool) -> TrustState:
    trust, sample, blower = state.trust, state.sample, state.blower
    if sample.pa is not None and is_well_formed(sample):
        trust = stepped(
            context.setpoints.trust,
            trust,
            context.now_s,
            dp_pa=sample.pa,
            earlier_pa=context.earlier_pa,
            is_steady=steady(blower, context.now_s),
            pulsing=pulsing,
        )
    trust = still(context, trust, sample, blower)
    trust = no_flow.with_flow(context, state, trust)
    return at_rest(context, state, trust, pulsing=pulsing)


def _believed(context: StepContext, sample: Sample, trust: TrustState) -> Sample:
    """``sample`` with the quality that the doubts now leave it; a change is told."""
    if sample.pa is None or not is_well_formed(sample):
        return sample
    if not trust.doubts and not sample.reasons:
        return sample
    after = in_doubt(trust.doubts, sample.at, sample.pa)
    if after == sample:
        return sample
    tell_change(context, sample, after)
    return after


def tell_change(context: StepContext, before: Sample, after: Sample) -> None:
    """An event if the quality changed, or why it is as it is."""
    if before.quality is after.quality and before.reasons == after.reasons:
        return
    if before.quality is not after.quality or _codes(before) != _codes(after):
        context.emit(QualityChanged(after.quality, after.reasons))


def _codes(sample: Sample) -> tuple[Because, ...]:
    return tuple(reason.code for reason in sample.reasons)
