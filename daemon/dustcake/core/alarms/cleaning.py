"""Alarms of cleaning: what it no longer achieves, and how hard it works for it."""

from dustcake.core.alarms.definition import CLEAR, AlarmDefinition
from dustcake.core.alarms.life import Condition
from dustcake.core.alarms.names import AlarmName, Priority
from dustcake.core.blower import is_known
from dustcake.core.cleaning.runs import is_frequent
from dustcake.core.filter_life import replacement
from dustcake.core.pulse_response.findings import standing
from dustcake.core.pulse_response.state import FindingName
from dustcake.core.reasons import Because, because
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step_context import StepContext


def _filter_replacement(context: StepContext, state: State) -> Condition:
    if state.replacement.fresh:
        return False, because(Because.FILTERS_CHANGED)
    # Neither the filters nor their recovery can be judged without dP at proved flow: a stopped
    # blower also reads low, and cycles run since dP was last seen may have done their work.
    limits, demand = context.setpoints.limits, None
    flow = state.blower.running and is_known(context, state)
    dp_pa = state.sample.usable_pa if flow else None
    if dp_pa is not None and replacement.proved(context, state.replacement):
        demand = True
    elif dp_pa is not None and replacement.has_recovered(context, dp_pa):
        return CLEAR
    return demand, because(
        Because.NOT_CLEANED_BELOW,
        dp_pa=state.sample.pa or 0.0,
        limit_pa=limits.replacement_pa,
        cycles=limits.replacement_cycles,
    )


def _replacement_pa(setpoints: Setpoints) -> tuple[float, ...]:
    limits = setpoints.limits
    return limits.replacement_pa, limits.replacement_pa - limits.deadband_pa


def _row_not_recovering(_context: StepContext, state: State) -> Condition:
    """A row that its pulses do not clean."""
    finding = standing(state.pulse_response, FindingName.ROW_NOT_RECOVERING)
    return CLEAR if finding is None else (True, finding.reason)


def _cleaning_not_effective(context: StepContext, state: State) -> Condition:
    if not state.cleaning.not_effective:
        return CLEAR
    settings = context.setpoints.cleaning
    return True, because(
        Because.LIMIT_OF_CYCLES,
        dp_pa=state.sample.pa or 0.0,
        low_pa=settings.low_pa,
        cycles=settings.max_cycles,
    )


def _cleaning_too_frequent(context: StepContext, state: State) -> Condition:
    if not is_frequent(context, state.cleaning_pace):
        return CLEAR
    gap_s = context.setpoints.alarm_rules.frequent_gap_s
    return True, because(Because.TOO_FREQUENT, runs=state.cleaning_pace.short, gap_s=gap_s)


ALARMS = (
    AlarmDefinition(
        AlarmName.FILTER_REPLACEMENT,
        plc_bit=0,
        priority=Priority.LOW,
        condition=_filter_replacement,
        on_delay_s=60.0,
        off_delay_s=60.0,
        # Filters that no longer recover are why cleaning does not reach its set point.
        explains=(AlarmName.CLEANING_NOT_EFFECTIVE, AlarmName.CLEANING_TOO_FREQUENT),
        rests_on=("dp", "blower_running"),
        thresholds_pa=_replacement_pa,
    ),
    AlarmDefinition(
        AlarmName.ROW_NOT_RECOVERING,
        plc_bit=21,
        priority=Priority.LOW,
        condition=_row_not_recovering,
    ),
    AlarmDefinition(
        AlarmName.CLEANING_NOT_EFFECTIVE,
        plc_bit=3,
        priority=Priority.LOW,
        condition=_cleaning_not_effective,
    ),
    AlarmDefinition(
        AlarmName.CLEANING_TOO_FREQUENT,
        plc_bit=11,
        priority=Priority.LOW,
        condition=_cleaning_too_frequent,
    ),
)
