"""All that is asked of a reading at one step, in order."""

from dustcake.core.blower import BlowerState
from dustcake.core.cleaning.pulsing import PulsingState
from dustcake.core.cleaning.runs import Run
from dustcake.core.events import QualityChanged
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because
from dustcake.core.signal_validation.doubts import in_doubt, is_well_formed
from dustcake.core.signal_validation.frozen import still
from dustcake.core.signal_validation.jump import steady, stepped
from dustcake.core.signal_validation.no_flow import with_flow
from dustcake.core.signal_validation.state import TrustState
from dustcake.core.signal_validation.zero_check import at_rest
from dustcake.core.step_context import StepContext

# How long after a pulse dP may still answer to it.
_ANSWERS_FOR_S = 15.0


def is_pulsed(run: Run | None, pulsing: PulsingState, now_s: float) -> bool:
    """Whether pulses explain that dP changes: a run is under way, or one has just been fired."""
    return run is not None or now_s < pulsing.last_s + _ANSWERS_FOR_S


def judge(
    context: StepContext, trust: TrustState, sample: Sample, blower: BlowerState, *, pulsing: bool
) -> TrustState:
    """The doubts as they are now."""
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
    trust = with_flow(context, trust, sample, blower)
    return at_rest(context, trust, sample, blower, pulsing=pulsing)


def believed(context: StepContext, sample: Sample, trust: TrustState) -> Sample:
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
