"""The part of a step that validates the reading: every check, one function each of what it
remembers and doubts after this step, and then the quality that the doubts leave the reading."""

from collections.abc import Iterator
from math import inf

from dustcake.core.blower import is_known
from dustcake.core.cleaning.state import PulsingState, Run
from dustcake.core.events import QualityChanged
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace, update
from dustcake.core.setpoints import FanPlace, Setpoints, ValidationSetting
from dustcake.core.signal_validation.state import (
    JUMPS,
    Excursion,
    FrozenCheck,
    Jump,
    SignalValidation,
    ZeroCheck,
    cleared,
    doubted,
    find,
    in_doubt,
    well_formed_pa,
)
from dustcake.core.state import BlowerState, State
from dustcake.core.step_context import StepContext


def line_at_fault(settings: ValidationSetting, *, reads_high: bool) -> str:
    """Which sensing line, open to the room, would make dP read too high, or else too low.

    High port on the dirty side, low port on the clean side; with the fan downstream both sides
    are below the pressure of the room, with the fan upstream above it.
    """
    downstream = settings.fan is FanPlace.DOWNSTREAM
    return "dirty side" if reads_high is downstream else "clean side"


# --- Jumps: readings that change faster than dP can. A change from one poll to the next beyond the
# limit is not believed at first: a spike is passed over, and what stays is believed with a doubt.
# The damping of a transmitter spreads a jump over several polls; so an excursion, half of that
# limit within EXCURSION_S, leaves the doubt as well, though it is believed all along; a fall only
# where no pulse explains it.

# A blower that has just started or stopped changes dP as fast as it likes.
STEADY_AFTER_S = 30.0

EXCURSION_S = 15.0

# How long after a pulse dP may still answer to it.
_ANSWERS_FOR_S = 15.0


def steady(blower: BlowerState, now_s: float) -> bool:
    """Whether the blower has run evenly for so long that dP has no reason to jump."""
    return blower.running is True and now_s >= blower.since_s + STEADY_AFTER_S


def is_pulsed(run: Run | None, pulsing: PulsingState, now_s: float) -> bool:
    """Whether pulses explain that dP changes: a run is under way, or one has just been fired."""
    return run is not None or now_s < pulsing.last_s + _ANSWERS_FOR_S


def _watches_jumps(settings: ValidationSetting) -> bool:
    return settings.jump_pa < inf and settings.jump_confirm_s > 0


def jump(
    context: StepContext,
    validation: SignalValidation,
    before_pa: float | None,
    pa: float,
    *,
    is_steady: bool,
) -> tuple[SignalValidation, Reason | None]:
    """What becomes of a reading of ``pa`` after ``before_pa``: why it is not believed, or None.

    A value that comes back within the limit was a spike. One that stays for the time of the
    settings is believed from then on, and leaves a doubt: a hose that came off looks like that.
    """
    settings, known = context.setpoints.signal_validation, validation.jump
    if not is_steady or not _watches_jumps(settings):
        return update(validation, jump=None), None
    if known is None:
        if before_pa is None or abs(pa - before_pa) <= settings.jump_pa:
            return validation, None
        known = Jump(before_pa, pa, context.now_s)
    elif abs(pa - known.from_pa) <= settings.jump_pa:
        return replace(validation, jump=None), None
    elif abs(pa - known.level_pa) > settings.jump_pa:
        known = Jump(known.from_pa, pa, context.now_s)
    if context.now_s >= known.since_s + settings.jump_confirm_s:
        return _believed(settings, validation, known.from_pa, pa), None
    reason = because(Because.JUMP_UNEXPLAINED, dp_pa=pa, from_pa=known.from_pa)
    return replace(validation, jump=known), reason


def excursion(context: StepContext, state: State, validation: SignalValidation) -> SignalValidation:
    """Follow dP from band to band, and see whether it went from one to the next at once."""
    settings, now_s = context.setpoints.signal_validation, context.now_s
    dp_pa, half_pa = well_formed_pa(state.sample), settings.jump_pa / 2
    if dp_pa is None or not _watches_jumps(settings):
        return validation
    is_steady = steady(state.blower, now_s)
    pulsing = is_pulsed(state.cleaning.run, state.pulsing, now_s)
    left = validation.excursion
    if left is not None and not is_steady:
        left = None
    # A run that begins meanwhile, because dP has jumped up, ends the wait before it has an effect.
    elif left is not None and ((pulsing and not left.pulsing) or now_s >= left.due_s):
        rise_pa = dp_pa - left.from_pa
        if rise_pa > half_pa or (rise_pa < -half_pa and not left.pulsing):
            validation = _believed(settings, validation, left.from_pa, dp_pa)
        left = None
    anchor_pa = validation.anchor_pa
    if anchor_pa is None or not anchor_pa - half_pa < dp_pa < anchor_pa + half_pa:
        if left is None and context.earlier_pa is not None and is_steady:
            left = Excursion(context.earlier_pa, now_s + EXCURSION_S, pulsing)
        anchor_pa = dp_pa
    return update(validation, anchor_pa=anchor_pa, excursion=left)


def _believed(
    settings: ValidationSetting, validation: SignalValidation, from_pa: float, pa: float
) -> SignalValidation:
    """A jump that stayed, from where dP is followed on: it is not found a second time. One back
    towards where an earlier one came from takes its doubt away."""
    rose = pa > from_pa
    opposite = Because.FELL_AT_ONCE if rose else Because.ROSE_AT_ONCE
    doubts = cleared(validation.doubts, opposite)
    if doubts is validation.doubts:
        line = line_at_fault(settings, reads_high=rose)
        reason = (
            because(Because.ROSE_AT_ONCE, line, dp_pa=pa, from_pa=from_pa)
            if rose
            else because(Because.FELL_AT_ONCE, line, dp_pa=pa, from_pa=from_pa)
        )
        doubts = doubted(doubts, reason)
    return replace(validation, jump=None, doubts=doubts, anchor_pa=pa, excursion=None)


# --- Frozen: a reading that does not move while the blower runs.

# Checks at which the reading must be the same. Noise comes back to one value now and then: with a
# deviation as large as the resolution once in four checks, so twelve times running once in 10^7.
FROZEN_CHECKS = 12


def frozen(context: StepContext, state: State, validation: SignalValidation) -> SignalValidation:
    """Check now and then, not at every reading, so that quiet times stay quiet in between."""
    settings, before = context.setpoints.signal_validation, validation.frozen
    dp_pa = well_formed_pa(state.sample)
    stands = find(validation.doubts, Because.FROZEN) is not None
    if settings.frozen_after_s <= 0 or not (state.blower.running or stands):
        # Without a contact the blower's proof is lost with the reading: a doubt that stands goes
        # only when the reading moves.
        return update(validation, frozen=None)
    if not context.polled or dp_pa is None:
        return validation
    if before is not None and not stands and context.now_s < before.next_s:
        return validation
    after = frozen_checked(settings, before, dp_pa, context.now_s)
    if after.same == 0:
        doubts = validation.doubts if before is None else cleared(validation.doubts, Because.FROZEN)
        return replace(validation, frozen=after, doubts=doubts)
    if stands:
        return validation
    if after.same < FROZEN_CHECKS:
        return replace(validation, frozen=after)
    reason = because(Because.FROZEN, dp_pa=after.pa, frozen_after_s=settings.frozen_after_s)
    return replace(validation, frozen=after, doubts=doubted(validation.doubts, reason))


def frozen_checked(
    settings: ValidationSetting, before: FrozenCheck | None, pa: float, now_s: float
) -> FrozenCheck:
    """What is remembered after a check that is due and finds ``pa``. Frozen after
    ``FROZEN_CHECKS``."""
    next_s = now_s + settings.frozen_after_s / FROZEN_CHECKS
    if before is None or abs(pa - before.pa) > settings.frozen_within_pa:
        return FrozenCheck(pa, 0, next_s)
    return FrozenCheck(before.pa, before.same + 1, next_s)


# --- No flow: no dP, or a negative one, although the blower is proved running: a fault, never clean
# filters.

# A doubt goes only when dP is clearly there again.
CLEARS_AT = 2.0

_NO_FLOW = (Because.NEGATIVE_WITH_FLOW, Because.ZERO_WITH_FLOW)


def no_flow(context: StepContext, state: State, validation: SignalValidation) -> SignalValidation:
    """Only a contact proves flow here: dP cannot speak for itself."""
    settings, sample, blower = context.setpoints.signal_validation, state.sample, state.blower
    dp_pa = well_formed_pa(sample)
    if dp_pa is None and sample.reasons[0].code is Because.BEYOND_SPAN:
        dp_pa = sample.pa  # swapped lines read far below the span
    if settings.no_dp_after_s <= 0 or not context.setpoints.fitted.blower_running:
        return validation
    line = state.line
    if (dp_pa is None and context.holds(line.dp)) or context.holds(line.blower_running):
        return validation
    if dp_pa is None or not blower.running:
        return update(validation, no_dp_s=None)
    doubts = validation.doubts
    if dp_pa > settings.no_dp_pa:
        if dp_pa > CLEARS_AT * settings.no_dp_pa:
            doubts = cleared(doubts, *_NO_FLOW)
        return update(validation, doubts=doubts, no_dp_s=None)
    if find(doubts, *_NO_FLOW) is not None:
        return validation
    since_s = line.dp.begun(validation.no_dp_s, context.now_s)
    since_s = line.blower_running.begun(since_s, context.now_s)
    validation = replace(validation, no_dp_s=since_s)
    if not context.is_due(max(since_s, blower.since_s) + settings.no_dp_after_s):
        return validation
    side = line_at_fault(settings, reads_high=False)
    reason = (
        because(Because.NEGATIVE_WITH_FLOW, side, dp_pa=dp_pa)
        if dp_pa < -settings.no_dp_pa
        else because(Because.ZERO_WITH_FLOW, dp_pa=dp_pa)
    )
    return replace(validation, doubts=doubted(doubts, reason))


# --- Zero check: at every stop of the blower the reading must fall to zero, and zero must stay
# where it is.

# Readings averaged at one stop: noise of the mean is a third of that of one.
ZERO_READINGS = 10

_ZERO = (Because.ZERO_DRIFT, Because.NOT_TO_ZERO)


def zero_check(
    context: StepContext, state: State, validation: SignalValidation
) -> SignalValidation:
    """Average a few readings once in each stop. A reading that had not fallen to zero, and falls at
    last, is believed again after as many readings, and need not wait for that."""
    pa, blower = well_formed_pa(state.sample), state.blower
    settings, check = context.setpoints.signal_validation, validation.zero_check
    after_s = settings.zero_check_after_s
    if after_s <= 0 or not context.setpoints.fitted.blower_running or blower.running is not False:
        return update(validation, zero_check=None)
    if check is None or check.stop_s != blower.since_s:
        check = ZeroCheck(blower.since_s, blower.since_s + after_s)
        validation = replace(validation, zero_check=check)
    not_to_zero = find(validation.doubts, Because.NOT_TO_ZERO) is not None
    is_early = context.now_s < check.from_s
    if not context.polled or ((check.done or is_early) and not not_to_zero):
        return validation
    if not is_known(context, state) or (pa is None and context.holds(state.line.dp)):
        return validation  # one lost reply does not begin the average anew
    is_falling = not_to_zero and (check.done or is_early)
    if not is_early and context.before.sample.at.mono_s < check.from_s:
        check = replace(check, sum_pa=0.0, n=0)
    pulsing = is_pulsed(state.cleaning.run, state.pulsing, context.now_s)
    # They have to be in a row.
    if pa is None or pulsing or (is_falling and abs(pa) > settings.not_zero_pa):
        check = replace(check, sum_pa=0.0, n=0)
    else:
        check = replace(check, sum_pa=check.sum_pa + pa, n=check.n + 1)
    if check.n < ZERO_READINGS:
        return replace(validation, zero_check=check)
    zero_pa = check.sum_pa / check.n
    check = ZeroCheck(check.stop_s, check.from_s, done=not is_early)
    validation = replace(validation, zero_check=check)
    if is_early:  # still falling, perhaps: it says nothing of a drift yet
        doubts = cleared(validation.doubts, Because.NOT_TO_ZERO, Because.NO_RIPPLE)
        return replace(validation, doubts=doubts)
    return _zero_found(context, validation, zero_pa)


def _zero_found(
    context: StepContext, validation: SignalValidation, zero_pa: float
) -> SignalValidation:
    settings = context.setpoints.signal_validation
    doubts = cleared(validation.doubts, *_ZERO)
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
    return replace(validation, doubts=doubts, zero_pa=zero_pa)


def zero_taken(validation: SignalValidation) -> SignalValidation:
    """A new zero has been taken: somebody has checked the transmitter and its lines."""
    codes = (*_ZERO, *JUMPS, Because.NO_RIPPLE)
    return replace(validation, doubts=cleared(validation.doubts, *codes))


# --- The part: every check in order, then the quality of the reading.

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


def thresholds_pa(setpoints: Setpoints, state: State) -> Iterator[float]:
    """Every dP at which a doubt may come or go, or something is remembered of the reading."""
    settings, anchor_pa = setpoints.signal_validation, state.signal_validation.anchor_pa
    if settings.no_dp_after_s > 0:
        yield from (-settings.no_dp_pa, settings.no_dp_pa, CLEARS_AT * settings.no_dp_pa)
    if anchor_pa is not None and _watches_jumps(settings):
        # No two readings in between are so far apart that one of them is not believed.
        yield from (anchor_pa - settings.jump_pa / 2, anchor_pa + settings.jump_pa / 2)


def _validated(context: StepContext, sample: Sample, validation: SignalValidation) -> Sample:
    """``sample`` with the quality that the doubts now leave it; a change is recorded."""
    pa = well_formed_pa(sample)
    if pa is None or not (validation.doubts or sample.reasons):
        return sample
    after = in_doubt(validation.doubts, sample.at, pa)
    record_quality(context, sample, after)
    return sample if after == sample else after


def record_quality(context: StepContext, before: Sample, after: Sample) -> None:
    """An event if the quality changed, or why it is as it is."""
    codes = [reason.code for reason in after.reasons]
    if before.quality is not after.quality or codes != [each.code for each in before.reasons]:
        context.emit(QualityChanged(after.quality, after.reasons))
