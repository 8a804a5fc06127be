"""Alarms of the readings: whether they come and can be trusted, and what dP by itself shows."""

from dustcake.core.alarms.definition import (
    CLEAR,
    AlarmDefinition,
    blower_off,
    seasoning,
    start_up,
    zeroing,
)
from dustcake.core.alarms.life import Condition
from dustcake.core.alarms.names import AlarmName, Priority
from dustcake.core.blower import is_known
from dustcake.core.inputs import CALLED
from dustcake.core.line import OFTEN, SELDOM, WITHIN_S, Gap
from dustcake.core.pulse_response.findings import standing
from dustcake.core.pulse_response.state import FindingName
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, because
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.state import DEAD, OF_THE_LINE, find
from dustcake.core.state import State
from dustcake.core.step_context import StepContext


def _fieldbus_lost(context: StepContext, state: State) -> Condition:
    """Nothing at all can be read, where there is more to read than dP: it is not the transmitter.
    While no poll comes back at all, nobody knows."""
    sample, header = state.sample, state.header
    if sample.usable_pa is not None:
        return CLEAR
    others = [getattr(state.contacts, name) is None for name in context.setpoints.fitted.names()]
    if context.setpoints.header is not None:
        others.append(header is not None and _unread(header))
    if not others:
        return CLEAR
    if sample.reasons[0].code in (Because.STALE, Because.NO_SAMPLE_YET):
        return None, sample.reasons[0]
    if _unread(sample) and all(others):
        return True, because(Because.ALL_UNREADABLE, sample.reasons[0].detail)
    return CLEAR


def _unread(sample: Sample) -> bool:
    return bool(sample.reasons) and sample.reasons[0].code is Because.READ_FAILED


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


def _header_transmitter_fault(context: StepContext, state: State) -> Condition:
    if context.setpoints.header is None:
        return CLEAR
    if state.header is None:  # not read yet
        return None, because(Because.NO_SAMPLE_YET)
    if state.header.usable_pa is not None:
        return CLEAR
    return True, state.header.reasons[0]


def _readings_often_lost(context: StepContext, state: State) -> Condition:
    """A signal fails often, though never for long: that one of which most is lost."""
    gaps = state.line.gaps()
    losing = [name for name in CALLED if name in gaps and gaps[name].lost > SELDOM]
    if not losing:
        return CLEAR
    often = [name for name in losing if _loses_more(context, gaps[name], OFTEN)]
    if often:
        worst = max(often, key=lambda name: gaps[name].lost_at(context.now_s))
        share = gaps[worst].lost_at(context.now_s)
        return True, because(
            Because.READINGS_OFTEN_LOST,
            CALLED[worst],
            usable_percent=100 * (1 - share),
            within_s=WITHIN_S,
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
    doubt = find(state.signal_validation.doubts, *codes)
    return CLEAR if doubt is None else (True, doubt.reason)


def _sensing_line_suspect(_context: StepContext, state: State) -> Condition:
    """The reading is not that of the filters, and a line may be why."""
    return _doubt(state, *OF_THE_LINE)


def _zero_drift(_context: StepContext, state: State) -> Condition:
    return _doubt(state, Because.ZERO_DRIFT)


def _high_dp(context: StepContext, state: State) -> Condition:
    limits, sample = context.setpoints.limits, state.sample
    # Beyond the span is no measurement, but it is high.
    above_span = sample.quality is Quality.OUT_OF_SPECIFICATION
    dp_pa = sample.pa if above_span else sample.usable_pa
    if dp_pa is None or (above_span and dp_pa < limits.high_pa):
        return None, sample.reasons[0]
    reason = because(Because.ABOVE_LIMIT, dp_pa=dp_pa, limit_pa=limits.high_pa)
    if dp_pa >= limits.high_pa:
        return True, reason
    return (False if dp_pa < limits.high_pa - limits.deadband_pa else None), reason


def _high_pa(setpoints: Setpoints) -> tuple[float, ...]:
    limits = setpoints.limits
    return limits.high_pa, limits.high_pa - limits.deadband_pa


def _low_dp(context: StepContext, state: State) -> Condition:
    """Low dP means something only while the blower is proved by its contact: dP alone cannot tell
    a torn filter from a stopped fan."""
    limits, dp_pa = context.setpoints.limits, state.sample.usable_pa
    if dp_pa is None:
        return None, state.sample.reasons[0]
    reason = because(Because.BELOW_LIMIT, dp_pa=dp_pa, limit_pa=limits.low_pa)
    fitted = context.setpoints.fitted.blower_running
    if not (fitted and state.blower.running and is_known(context, state)):
        return None, reason
    if dp_pa <= limits.low_pa:
        return True, reason
    return (False if dp_pa > limits.low_pa + limits.deadband_pa else None), reason


def _low_pa(setpoints: Setpoints) -> tuple[float, ...]:
    limits = setpoints.limits
    return limits.low_pa, limits.low_pa + limits.deadband_pa


def _filter_torn(_context: StepContext, state: State) -> Condition:
    """dP too low for these filters, or fallen at once."""
    finding = standing(state.pulse_response, FindingName.FILTER_TORN)
    return _doubt(state, Because.FELL_AT_ONCE) if finding is None else (True, finding.reason)


def _clock_not_set(context: StepContext, _state: State) -> Condition:
    return (True, because(Because.CLOCK_NOT_SET)) if context.at.utc_s is None else CLEAR


ALARMS = (
    AlarmDefinition(
        AlarmName.FIELDBUS_LOST,
        plc_bit=12,
        priority=Priority.MEDIUM,
        condition=_fieldbus_lost,
        on_delay_s=30.0,
        off_delay_s=30.0,
        # All that hangs on the wire is silent at once.
        explains=(
            AlarmName.TRANSMITTER_FAULT,
            AlarmName.HEADER_TRANSMITTER_FAULT,
            AlarmName.OUTPUTS_LOST,
            AlarmName.BLOWER_NOT_PROVED,
        ),
    ),
    AlarmDefinition(
        AlarmName.TRANSMITTER_FAULT,
        plc_bit=6,
        priority=Priority.MEDIUM,
        condition=_transmitter_fault,
        on_delay_s=30.0,
        off_delay_s=30.0,
        suppressed_by=(zeroing,),
    ),
    AlarmDefinition(
        AlarmName.HEADER_TRANSMITTER_FAULT,
        plc_bit=5,
        priority=Priority.LOW,
        condition=_header_transmitter_fault,
        on_delay_s=30.0,
        off_delay_s=30.0,
    ),
    AlarmDefinition(
        AlarmName.READINGS_OFTEN_LOST,
        plc_bit=22,
        priority=Priority.LOW,
        condition=_readings_often_lost,
    ),
    AlarmDefinition(
        AlarmName.SENSING_LINE_SUSPECT,
        plc_bit=16,
        priority=Priority.MEDIUM,
        condition=_sensing_line_suspect,
        # A reading that is not that of the filters is read all the same.
        explains=(
            AlarmName.LOW_DP,
            AlarmName.ZERO_DRIFT,
            AlarmName.FILTER_REPLACEMENT,
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
    ),
    AlarmDefinition(
        AlarmName.ZERO_DRIFT,
        plc_bit=17,
        priority=Priority.LOW,
        condition=_zero_drift,
    ),
    AlarmDefinition(
        AlarmName.HIGH_DP,
        plc_bit=1,
        priority=Priority.MEDIUM,
        condition=_high_dp,
        on_delay_s=60.0,
        off_delay_s=30.0,
        suppressed_by=(zeroing,),
        rests_on=("dp",),
        thresholds_pa=_high_pa,
    ),
    AlarmDefinition(
        AlarmName.LOW_DP,
        plc_bit=2,
        priority=Priority.MEDIUM,
        condition=_low_dp,
        on_delay_s=60.0,
        off_delay_s=30.0,
        suppressed_by=(blower_off, start_up, zeroing, seasoning),
        rests_on=("dp", "blower_running"),
        thresholds_pa=_low_pa,
    ),
    AlarmDefinition(
        AlarmName.FILTER_TORN,
        plc_bit=20,
        priority=Priority.MEDIUM,
        condition=_filter_torn,
        explains=(AlarmName.LOW_DP,),
    ),
    AlarmDefinition(
        AlarmName.CLOCK_NOT_SET,
        plc_bit=15,
        priority=Priority.LOW,
        condition=_clock_not_set,
        # A computer without a clock of its own waits for the network after each start.
        on_delay_s=600.0,
    ),
)
