"""The promise that nothing will happen, and the short way through a step it allows."""

from dustcake.core.alarms import catalogue as alarms
from dustcake.core.blower import PROOF_KEPT
from dustcake.core.cleaning import runs as cleaning
from dustcake.core.inputs import PollCompleted
from dustcake.core.pulse_response import header as header_diagnosis
from dustcake.core.pulse_response import torn
from dustcake.core.reading import Quality, Sample, interpret
from dustcake.core.reasons import Because
from dustcake.core.record import record, replace
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation import jump
from dustcake.core.signal_validation import no_flow as with_flow
from dustcake.core.signal_validation.remembering import remember
from dustcake.core.signal_validation.validate import is_pulsed
from dustcake.core.state import Quiet, State
from dustcake.core.step_context import StepContext


def promise(context: StepContext, state: State) -> Quiet | None:
    """Every decision depends on dP only through comparisons with known thresholds, so between
    two neighbouring thresholds nothing can change until the next deadline."""
    dp_pa, setpoints = state.sample.usable_pa, context.setpoints
    if dp_pa is None or state.zero.under_way:
        return None
    if any(context.holds(state.line.of(name)) for name in setpoints.fitted.names()):
        return None  # what is held for a lost reply is soon dropped
    if state.air.watch is not None:  # the next readings of the header are needed
        return None
    look = state.diagnosis.look
    if look is not None and look.dip_due:
        return None
    band = _between(dp_pa, _thresholds_pa(state, setpoints))
    header_band: Band | None = (None, None)
    if context.setpoints.header is not None:
        header = state.header
        if header is None or header.quality is not Quality.GOOD or header.pa is None:
            return None
        header_band = _between(
            header.pa,
            (
                *alarms.header_thresholds_pa(setpoints, state),
                setpoints.header_limits.min_pa,
                setpoints.header_limits.max_pa,
                *header_diagnosis.thresholds_pa(state.diagnosis.header),
            ),
        )
    if band is None or header_band is None:
        return None
    return Quiet(*band, *header_band, context.deadline_s)


def _thresholds_pa(state: State, setpoints: Setpoints) -> tuple[float, ...]:
    return (
        *_decisive_pa(state, setpoints),
        *jump.anchor_band_pa(setpoints.trust, state.trust),
    )


def _decisive_pa(state: State, setpoints: Setpoints) -> tuple[float, ...]:
    """Every dP at which more may change than what is remembered of readings."""
    return (
        *alarms.thresholds_pa(setpoints, state),
        setpoints.blower.flow_proof_pa,
        setpoints.blower.flow_proof_pa * PROOF_KEPT,
        *cleaning.thresholds_pa(setpoints.cleaning, state.cleaning),
        *with_flow.thresholds_pa(setpoints.trust),
        *torn.thresholds_pa(setpoints, state.diagnosis.cleaned),
    )


Band = tuple[float | None, float | None]


@record
class Brief:
    """What the promise of quiet may be widened by, for who knows what comes next: dP at or above
    its upper bound, below ``under_pa`` (None: open), leads to nothing if it is back within the
    promise less than ``within_s`` after it left. Ripple takes dP over the high set point and back
    many times before it stays there for the on-delay."""

    under_pa: float | None
    within_s: float


def brief(state: State, setpoints: Setpoints) -> Brief | None:
    """How dP may leave the promise in ``state`` and come back; None where it may not."""
    quiet = state.quiet
    high_pa, on_delay_s = setpoints.cleaning.high_pa, setpoints.cleaning.on_delay_s
    if quiet is None or quiet.high_pa != high_pa or on_delay_s <= 0:
        return None
    if state.decision.reason.code is not Because.BELOW_HIGH:
        return None
    thresholds = _thresholds_pa(state, setpoints)
    if thresholds.count(high_pa) > 1:  # something else has the same limit
        return None
    return Brief(min((t for t in thresholds if t > high_pa), default=None), on_delay_s)


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
    if quality is not Quality.GOOD or pa is None:
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
    after = state.remembering(Sample(poll.at, pa, before.quality, before.reasons), header)
    inside = quiet.covers_pa(pa)
    if inside and poll.at.mono_s < state.next_look_s:
        return after
    return _looked_at(state, after, setpoints, pa, inside=inside)


def _looked_at(
    state: State, after: State, setpoints: Setpoints, pa: float, *, inside: bool
) -> State | None:
    """``after`` with what is remembered of this reading; None where it leads to more. It may leave
    the promise ``inside`` of which it is not by moving the band that jumps are told by."""
    before_pa, now_s = state.sample.pa or 0.0, after.sample.at.mono_s
    setpoints = effective(setpoints, state.adjusted)
    if not inside:
        low_pa, high_pa = min(before_pa, pa), max(before_pa, pa)
        if any(low_pa <= each <= high_pa for each in _decisive_pa(state, setpoints)):
            return None
    trust = remember(
        setpoints.trust,
        state.trust,
        state.sample,
        pa,
        now_s,
        state.blower,
        pulsing=is_pulsed(state.cleaning.run, state.pulsing, now_s),
    )
    if trust is None:
        return None
    after = replace(after, trust=trust)
    if inside:
        return after
    quiet, band = after.quiet, _between(pa, _thresholds_pa(after, setpoints))
    assert quiet is not None
    assert band is not None
    return replace(after, quiet=replace(quiet, low_pa=band[0], high_pa=band[1]))
