"""Alarms of the readings: whether they come and can be trusted, and what dP by itself shows."""

from dustcake.core.alarms.life import CLEAR, NOT_SUPPRESSED, Condition, alarm
from dustcake.core.alarms.names import AlarmName, Priority
from dustcake.core.blower import runs_now
from dustcake.core.inputs import CALLED
from dustcake.core.pulse_response.findings import standing
from dustcake.core.pulse_response.state import FindingName
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, because
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_gaps import OFTEN, SELDOM, WITHIN_S, Gap
from dustcake.core.signal_validation.state import DEAD, SENSING_LINE_DOUBTS, find
from dustcake.core.state import State
from dustcake.core.step_context import StepContext


def blower_off(context: StepContext, state: State) -> Condition:
    """Only a contact can prove that the blower is off."""
    running = state.blower.running
    if running or not context.setpoints.fitted.blower_running:
        return NOT_SUPPRESSED
    return (None if running is None else True), because(Because.BLOWER_OFF)


def start_up(context: StepContext, state: State) -> Condition:
    """The blower has just started, so dP has not built up yet."""
    settle_s = context.setpoints.limits.low_start_delay_s
    contact = context.setpoints.fitted.blower_running
    if not (contact and state.blower.running) or context.is_due(state.blower.since_s + settle_s):
        return NOT_SUPPRESSED
    return True, because(Because.START_UP, start_delay_s=settle_s)


def zeroing(_context: StepContext, state: State) -> Condition:
    """The zero of the transmitter is being taken."""
    return (True, because(Because.ZEROING)) if state.zero.under_way else NOT_SUPPRESSED


def seasoning(context: StepContext, state: State) -> Condition:
    """New filters have no cake yet and read low, which looks like a torn one."""
    seasoning_s = context.setpoints.alarm_rules.seasoning_s
    changed_s = state.log_book.filters_changed_s
    if changed_s is None or context.is_due(state.blower.total_reaches_s(changed_s + seasoning_s)):
        return NOT_SUPPRESSED
    return True, because(Because.SEASONING, seasoning_s=seasoning_s)


@alarm(AlarmName.FIELDBUS_LOST, Priority.MEDIUM, on_delay_s=30.0, off_delay_s=30.0)
def _fieldbus_lost(context: StepContext, state: State) -> Condition:
    """Nothing at all can be read, where there is more to read than dP: it is not the transmitter.
    While no poll comes back at all, nobody knows."""
    sample, header = state.sample, state.header
    if sample.usable_pa is not None:
        return CLEAR
    others = [getattr(state.contacts, name) is None for name in context.setpoints.fitted.names()]
    if context.setpoints.header is not None:
        others.append(_unread(header))
    if not others:
        return CLEAR
    if sample.reasons[0].code in (Because.STALE, Because.NO_SAMPLE_YET):
        return None, sample.reasons[0]
    if _unread(sample) and all(others):
        return True, because(Because.ALL_UNREADABLE, sample.reasons[0].detail)
    return CLEAR


def _unread(sample: Sample | None) -> bool:
    reasons = () if sample is None else sample.reasons
    return bool(reasons) and reasons[0].code is Because.READ_FAILED


@alarm(
    AlarmName.TRANSMITTER_FAULT,
    Priority.MEDIUM,
    on_delay_s=30.0,
    off_delay_s=30.0,
    suppressed_by=(zeroing,),
)
def _transmitter_fault(_context: StepContext, state: State) -> Condition:
    sample = state.sample
    if sample.usable_pa is not None:
        return CLEAR
    if sample.quality is Quality.FUNCTION_CHECK:
        return None, sample.reasons[0]
    code, doubts = sample.reasons[0].code, state.signal_validation.doubts
    swapped = code is Because.BEYOND_SPAN and find(doubts, Because.NEGATIVE_WITH_FLOW) is not None
    if code in DEAD or swapped:  # it is read, and has an alarm of its own
        return CLEAR
    return True, sample.reasons[0]


@alarm(AlarmName.HEADER_TRANSMITTER_FAULT, Priority.LOW, on_delay_s=30.0, off_delay_s=30.0)
def _header_transmitter_fault(context: StepContext, state: State) -> Condition:
    if context.setpoints.header is None:
        return CLEAR
    if state.header is None:  # not read yet
        return None, because(Because.NO_SAMPLE_YET)
    if state.header.usable_pa is not None:
        return CLEAR
    return True, state.header.reasons[0]


@alarm(AlarmName.READINGS_OFTEN_LOST, Priority.LOW)
def _readings_often_lost(context: StepContext, state: State) -> Condition:
    """A signal fails often, though never for long: that one of which most is lost."""
    gaps = state.line.gaps()
    losing = [name for name, gap in gaps.items() if gap.lost > SELDOM]
    if not losing:
        return CLEAR
    often = [name for name in CALLED if name in losing and _loses_more(context, gaps[name], OFTEN)]
    if often:
        lost = {name: gaps[name].lost_at(context.now_s) for name in often}
        worst = max(often, key=lost.__getitem__)
        usable = 100 * (1 - lost[worst])
        return True, because(
            Because.READINGS_OFTEN_LOST, CALLED[worst], usable_percent=usable, within_s=WITHIN_S
        )
    if any(_loses_more(context, gaps[name], SELDOM) for name in losing):
        return None, because(Because.NO_LONGER)
    return CLEAR


def _loses_more(context: StepContext, gap: Gap, share: float) -> bool:
    """Whether more than this share of a signal's readings is lost. While it is not known the share
    stays as it is."""
    if gap.lost <= share:
        return False
    return gap.since_s is not None or not context.is_due(gap.falls_to_s(share))


def _doubt(state: State, *codes: Because) -> Condition:
    doubts = state.signal_validation.doubts
    doubt = find(doubts, *codes) if doubts else None
    return CLEAR if doubt is None else (True, doubt.reason)


@alarm(AlarmName.SENSING_LINE_SUSPECT, Priority.MEDIUM)
def _sensing_line_suspect(_context: StepContext, state: State) -> Condition:
    """The reading is not that of the filters, and a line may be why."""
    return _doubt(state, *SENSING_LINE_DOUBTS)


@alarm(AlarmName.ZERO_DRIFT, Priority.LOW)
def _zero_drift(_context: StepContext, state: State) -> Condition:
    return _doubt(state, Because.ZERO_DRIFT)


def _high_pa(setpoints: Setpoints) -> tuple[float, ...]:
    limits = setpoints.limits
    return limits.high_pa, limits.high_pa - limits.deadband_pa


@alarm(
    AlarmName.HIGH_DP,
    Priority.MEDIUM,
    on_delay_s=60.0,
    off_delay_s=30.0,
    suppressed_by=(zeroing,),
    rests_on=("dp",),
    thresholds_pa=_high_pa,
)
def _high_dp(context: StepContext, state: State) -> Condition:
    (limit_pa, clear_pa), sample = _high_pa(context.setpoints), state.sample
    # Beyond the span is no measurement, but it is high.
    above_span = sample.quality is Quality.OUT_OF_SPECIFICATION
    dp_pa = sample.pa if above_span else sample.usable_pa
    if dp_pa is None or (above_span and dp_pa < limit_pa):
        return None, sample.reasons[0]
    demand = True if dp_pa >= limit_pa else False if dp_pa < clear_pa else None
    return demand, because(Because.ABOVE_LIMIT, dp_pa=dp_pa, limit_pa=limit_pa)


def _low_pa(setpoints: Setpoints) -> tuple[float, ...]:
    limits = setpoints.limits
    return limits.low_pa, limits.low_pa + limits.deadband_pa


@alarm(
    AlarmName.LOW_DP,
    Priority.MEDIUM,
    on_delay_s=60.0,
    off_delay_s=30.0,
    suppressed_by=(blower_off, start_up, zeroing, seasoning),
    rests_on=("dp", "blower_running"),
    thresholds_pa=_low_pa,
)
def _low_dp(context: StepContext, state: State) -> Condition:
    """Low dP means something only while the blower is proved by its contact: dP alone cannot tell
    a torn filter from a stopped fan."""
    (limit_pa, clear_pa), dp_pa = _low_pa(context.setpoints), state.sample.usable_pa
    if dp_pa is None:
        return None, state.sample.reasons[0]
    reason = because(Because.BELOW_LIMIT, dp_pa=dp_pa, limit_pa=limit_pa)
    if not (context.setpoints.fitted.blower_running and runs_now(context, state)):
        return None, reason
    return (True if dp_pa <= limit_pa else False if dp_pa > clear_pa else None), reason


@alarm(AlarmName.FILTER_TORN, Priority.MEDIUM)
def _filter_torn(_context: StepContext, state: State) -> Condition:
    """dP too low for these filters, or fallen at once."""
    finding = standing(state.pulse_response, FindingName.FILTER_TORN)
    return _doubt(state, Because.FELL_AT_ONCE) if finding is None else (True, finding.reason)


@alarm(
    AlarmName.CLOCK_NOT_SET,
    Priority.LOW,
    # A computer without a clock of its own waits for the network after each start.
    on_delay_s=600.0,
)
def _clock_not_set(context: StepContext, _state: State) -> Condition:
    return (True, because(Because.CLOCK_NOT_SET)) if context.at.utc_s is None else CLEAR
