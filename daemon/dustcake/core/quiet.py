"""The promise that nothing will happen, and the short way through a step it allows."""

from collections.abc import Iterable

from dustcake.core.inputs import PollCompleted
from dustcake.core.reading import Quality, Sample, interpret
from dustcake.core.record import replace
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Quiet, State
from dustcake.core.step_context import StepContext


def promise(
    context: StepContext,
    state: State,
    thresholds_pa: tuple[float, ...],
    header_thresholds_pa: tuple[float, ...],
) -> Quiet | None:
    """Every decision depends on dP only through comparisons with known thresholds, so between
    two neighbouring thresholds nothing can change until the next deadline."""
    dp_pa, setpoints = state.sample.usable_pa, context.setpoints
    if dp_pa is None or state.zero.under_way:
        return None
    if any(context.holds(state.line.of(name)) for name in setpoints.fitted.names()):
        return None  # what is held for a lost reply is soon dropped
    if state.air.measurement is not None:  # the next readings of the header are needed
        return None
    observation = state.pulse_response.observation
    if observation is not None and observation.dip_due:
        return None
    band = _between(dp_pa, thresholds_pa)
    header_band: Band | None = (None, None)
    if setpoints.header is not None:
        header = state.header
        if header is None or header.quality is not Quality.GOOD or header.pa is None:
            return None
        header_band = _between(header.pa, header_thresholds_pa)
    if band is None or header_band is None:
        return None
    return Quiet(*band, *header_band, context.deadline_s)


Band = tuple[float | None, float | None]


def _between(pa: float, thresholds: Iterable[float]) -> Band | None:
    """The open interval between neighbouring thresholds around ``pa``; None if on one of them."""
    if pa in thresholds:
        return None
    below = [t for t in thresholds if t < pa]
    above = [t for t in thresholds if t > pa]
    return max(below, default=None), min(above, default=None)


def keep(state: State, poll: PollCompleted, setpoints: Setpoints) -> State | None:
    """The state after a poll that a quiet promise covers; None where it does not."""
    quiet, now_s = state.quiet, poll.at.mono_s
    if quiet is None or (quiet.until_s is not None and now_s >= quiet.until_s):
        return None
    if now_s >= state.next_look_s:
        return None
    if poll.contacts is not state.contacts and poll.contacts != state.contacts:
        return None
    if (poll.at.utc_s is None) is not (state.sample.at.utc_s is None):
        return None
    pa, quality, _ = interpret(poll.dp, setpoints.dp, state.zero.offset_pa)
    if quality is not Quality.GOOD or pa is None or not quiet.covers_pa(pa):
        return None
    header, before = state.header, state.sample
    if setpoints.header is not None:
        if poll.header is None:
            return None
        header_pa, quality, _ = interpret(poll.header, setpoints.header, 0.0)
        if quality is not Quality.GOOD or header_pa is None:
            return None
        if not quiet.covers_header_pa(header_pa):
            return None
        header = Sample(poll.at, header_pa, quality)
    # Doubts that stand under a promise stand until something happens.
    sample = Sample(poll.at, pa, before.quality, before.reasons)
    return replace(state, sample=sample, header=header)
