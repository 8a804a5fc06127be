"""The part of a step that validates the reading: every check in order, then its quality."""

from dustcake.core.events import QualityChanged
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because
from dustcake.core.record import replace, update
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.checks import (
    anchor_band_pa,
    excursion,
    frozen,
    no_flow,
    no_flow_thresholds_pa,
    zero_check,
)
from dustcake.core.signal_validation.state import SignalValidation, in_doubt, is_well_formed
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

_CHECKS = (excursion, frozen, no_flow, zero_check)


def restart(_context: StepContext, state: State) -> State:
    """After a restart: what was timed by the clock as it was begins anew; doubts stay."""
    before = state.signal_validation
    return replace(state, signal_validation=SignalValidation(before.doubts, zero_pa=before.zero_pa))


def advance(context: StepContext, state: State) -> State:
    """The doubts as they are now, and the sample with the quality they leave it."""
    validation = state.signal_validation
    for check in _CHECKS:
        validation = check(context, state, validation)
    return update(
        state, signal_validation=validation, sample=_validated(context, state.sample, validation)
    )


def thresholds_pa(setpoints: Setpoints, state: State) -> tuple[float, ...]:
    """Every dP at which a doubt may come or go, or something is remembered of the reading."""
    settings = setpoints.trust
    return (*no_flow_thresholds_pa(settings), *anchor_band_pa(settings, state.signal_validation))


def _validated(context: StepContext, sample: Sample, validation: SignalValidation) -> Sample:
    """``sample`` with the quality that the doubts now leave it; a change is recorded."""
    if sample.pa is None or not is_well_formed(sample):
        return sample
    if not validation.doubts and not sample.reasons:
        return sample
    after = in_doubt(validation.doubts, sample.at, sample.pa)
    if after == sample:
        return sample
    record_quality(context, sample, after)
    return after


def record_quality(context: StepContext, before: Sample, after: Sample) -> None:
    """An event if the quality changed, or why it is as it is."""
    if before.quality is not after.quality or _codes(before) != _codes(after):
        context.emit(QualityChanged(after.quality, after.reasons))


def _codes(sample: Sample) -> tuple[Because, ...]:
    return tuple(reason.code for reason in sample.reasons)
