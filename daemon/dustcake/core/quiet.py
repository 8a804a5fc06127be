"""The promise that nothing will happen, and the short way through a step it allows."""

from dustcake.core.alarm_conditions import header_thresholds_pa, thresholds_pa
from dustcake.core.cleaning import low_point_counts
from dustcake.core.diagnosis import header as header_diagnosis
from dustcake.core.diagnosis import torn
from dustcake.core.inputs import PollCompleted
from dustcake.core.reading import Quality, Sample, interpret
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Quiet, State
from dustcake.core.trust import jump, with_flow
from dustcake.core.trust.at_rest import gathering
from dustcake.core.turn import Turn


def promise(turn: Turn, state: State) -> Quiet | None:
    """Every decision depends on dP only through comparisons with known thresholds, so between
    two neighbouring thresholds nothing can change until the next deadline."""
    dp_pa, setpoints = state.sample.usable_pa, turn.setpoints
    if dp_pa is None or state.zero.under_way or gathering(turn, state.trust):
        return None
    if state.air.watch is not None:  # the next readings of the header are needed
        return None
    look = state.diagnosis.look
    if look is not None and look.dip_due:
        return None
    band = _between(
        dp_pa,
        (
            *thresholds_pa(setpoints, low_counts=low_point_counts(state.cleaning)),
            *with_flow.thresholds_pa(setpoints.trust),
            *torn.thresholds_pa(setpoints, state.diagnosis.cleaned),
            *jump.anchor_band_pa(setpoints, state.trust),
        ),
    )
    header_band: Band | None = (None, None)
    if turn.setpoints.header is not None:
        header = state.header
        if header is None or header.quality is not Quality.GOOD or header.pa is None:
            return None
        header_band = _between(
            header.pa,
            (
                *header_thresholds_pa(turn.setpoints),
                *header_diagnosis.thresholds_pa(state.diagnosis.header),
            ),
        )
    if band is None or header_band is None:
        return None
    return Quiet(*band, *header_band, turn.deadline_s)


Band = tuple[float | None, float | None]


def _between(pa: float, thresholds: tuple[float, ...]) -> Band | None:
    """The open interval between neighbouring thresholds around ``pa``; None if on one of them."""
    if pa in thresholds:
        return None
    below = [t for t in thresholds if t < pa]
    above = [t for t in thresholds if t > pa]
    return max(below, default=None), min(above, default=None)


def keep(state: State, poll: PollCompleted, setpoints: Setpoints) -> State | None:
    """The state after a poll that a quiet promise covers; None where it does not."""
    quiet = state.quiet
    if quiet is None or (quiet.until_s is not None and poll.at.mono_s >= quiet.until_s):
        return None
    if poll.contacts is not state.contacts and poll.contacts != state.contacts:
        return None
    if (poll.at.utc_s is None) is not (state.sample.at.utc_s is None):
        return None
    pa, quality, _ = interpret(poll.dp, setpoints.dp, state.zero.offset_pa)
    if quality is not Quality.GOOD or pa is None or not _inside(pa, quiet.low_pa, quiet.high_pa):
        return None
    header, before = state.header, state.sample
    if setpoints.header is not None:
        if poll.header is None:
            return None
        header_pa, quality, _ = interpret(poll.header, setpoints.header, 0.0)
        if quality is not Quality.GOOD or header_pa is None:
            return None
        if not _inside(header_pa, quiet.header_low_pa, quiet.header_high_pa):
            return None
        header = Sample(poll.at, header_pa, quality)
    # Doubts that stand under a promise stand until something happens.
    return state.remembering(Sample(poll.at, pa, before.quality, before.reasons), header)


def _inside(pa: float, low_pa: float | None, high_pa: float | None) -> bool:
    return (low_pa is None or pa > low_pa) and (high_pa is None or pa < high_pa)
