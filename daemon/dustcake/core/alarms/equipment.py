"""Alarms of the equipment, compressed air, valves, outputs, blower, drum, smoke and journal; and of
what cleaning achieves with it."""

from functools import partial

from dustcake.core.alarms.life import CLEAR, NOT_SUPPRESSED, AlarmDefinition, Condition
from dustcake.core.alarms.names import AlarmName, Priority
from dustcake.core.alarms.readings import CLEANS_LITTLE, blower_off
from dustcake.core.blower import is_known
from dustcake.core.cleaning.runs import is_frequent
from dustcake.core.filter_life import ageing
from dustcake.core.pulse_response.findings import standing
from dustcake.core.pulse_response.state import FindingName
from dustcake.core.reasons import Because, because
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# An alarm on header pressure clears only this far above its limit (pressure: 2 % of range is the
# starting value of alarm management practice; from memory).
HEADER_DEADBAND = 0.02

# So many failed pulses in a row are no accident, even where the outputs are proved off each time.
FAILURES_TO_ALARM = 3


def _found(state: State, *names: FindingName) -> Condition:
    for name in names if state.pulse_response.findings else ():
        finding = standing(state.pulse_response, name)
        if finding is not None:
            return True, finding.reason
    return CLEAR


@partial(
    AlarmDefinition,
    name=AlarmName.VALVE_STUCK_OPEN,
    priority=Priority.HIGH,
    # One open valve empties the header.
    explains=(AlarmName.HEADER_PRESSURE_LOW, AlarmName.HEADER_NOT_RECOVERING, *CLEANS_LITTLE),
)
def _valve_stuck_open(_context: StepContext, state: State) -> Condition:
    """An output that reads energised, or a header that empties through a valve nobody holds
    open."""
    if state.outputs.stuck:
        return True, because(Because.VALVE_STUCK_OPEN, state.outputs.fault)
    return _found(state, FindingName.VALVE_STUCK_OPEN)


# Pulses that are not fired, or have no air, clean nothing.
@partial(
    AlarmDefinition,
    name=AlarmName.OUTPUTS_LOST,
    priority=Priority.MEDIUM,
    on_delay_s=30.0,
    off_delay_s=30.0,
    explains=CLEANS_LITTLE,
)
def _outputs_lost(_context: StepContext, state: State) -> Condition:
    """Outputs that cannot be proved off, that answer but fail one pulse after another, or a blower
    run output of which nobody knows what it does."""
    outputs, failures, blower = state.outputs, state.pulsing.failures, state.blower
    if outputs.fault and not outputs.stuck:  # a stuck valve has an alarm of its own
        return True, because(Because.OUTPUTS_FAULT, outputs.fault)
    if failures >= FAILURES_TO_ALARM:
        return True, because(Because.PULSES_FAIL, failures=failures)
    if blower.fault:
        return True, because(Because.BLOWER_NOT_TOLD, blower.fault)
    return (None, because(Because.PULSES_FAIL, failures=failures)) if failures else CLEAR


def nothing_to_pulse(context: StepContext, state: State) -> Condition:
    """The compressor is often shut down with the blower. Until downtime cleaning has been done,
    where it is wanted, air is needed all the same."""
    cleaning, run_s = context.setpoints.cleaning, state.blower.run_s
    if cleaning.downtime and run_s > 0 and run_s >= cleaning.downtime_min_run_s:
        return NOT_SUPPRESSED
    return blower_off(context, state)


def _header_low_pa(setpoints: Setpoints) -> tuple[float, ...]:
    min_pa = setpoints.header_limits.min_pa
    return min_pa, min_pa * (1 + HEADER_DEADBAND)


@partial(
    AlarmDefinition,
    name=AlarmName.HEADER_PRESSURE_LOW,
    priority=Priority.MEDIUM,
    on_delay_s=30.0,
    off_delay_s=30.0,
    explains=(AlarmName.HEADER_NOT_RECOVERING, *CLEANS_LITTLE),
    suppressed_by=(nothing_to_pulse,),
    rests_on=("header",),
    header_thresholds_pa=_header_low_pa,
)
def _header_pressure_low(context: StepContext, state: State) -> Condition:
    (min_pa, clear_pa), header_pa = _header_low_pa(context.setpoints), state.header_pa
    if context.setpoints.header is None:
        return CLEAR
    if header_pa is None:
        return None, because(Because.HEADER_UNKNOWN)
    if header_pa >= clear_pa:
        return CLEAR
    reason = because(Because.HEADER_LOW, header_pa=header_pa, min_pa=min_pa)
    return (True if header_pa < min_pa else None), reason


@partial(
    AlarmDefinition,
    name=AlarmName.HEADER_NOT_RECOVERING,
    priority=Priority.LOW,
    explains=CLEANS_LITTLE,
)
def _header_not_recovering(_context: StepContext, state: State) -> Condition:
    """Not refilled at all, slow to recover, or weak at rest."""
    names = FindingName.HEADER_NOT_REFILLED, FindingName.HEADER_SLOW, FindingName.HEADER_WEAK
    return _found(state, *names)


@partial(
    AlarmDefinition,
    name=AlarmName.VALVE_DOES_NOT_FIRE,
    priority=Priority.LOW,
    # One row less to clean.
    explains=(AlarmName.ROW_NOT_RECOVERING, *CLEANS_LITTLE),
)
def _valve_does_not_fire(_context: StepContext, state: State) -> Condition:
    """One valve, or all."""
    return _found(state, FindingName.VALVE_DOES_NOT_FIRE)


@partial(
    AlarmDefinition,
    name=AlarmName.BLOWER_NOT_PROVED,
    priority=Priority.MEDIUM,
    on_delay_s=60.0,
    off_delay_s=5.0,
    rests_on=("blower_running", "process_running", "smoke", "stop"),
)
def _blower_not_proved(context: StepContext, state: State) -> Condition:
    """The blower should run, because it has been commanded to or the process makes dust, and its
    contact says that it does not. With smoke or the stop input it is meant to stand still. A
    contact that cannot be read says neither."""
    fitted, contacts, announced = context.setpoints.fitted, state.contacts, state.blower.announced
    process = contacts.process_running if fitted.process_running else False
    runs, stops = contacts.blower_running, contacts.smoke or contacts.stop
    if not fitted.blower_running or runs or stops or (process is False and not announced):
        return CLEAR
    unreadable = (
        runs is None
        or (process is None and not announced)
        or (fitted.smoke and contacts.smoke is None)
        or (fitted.stop and contacts.stop is None)
    )
    why = "the process equipment runs" if process else "it has been commanded to run"
    return (None if unreadable else True), because(Because.BLOWER_SHOULD_RUN, why)


@partial(
    AlarmDefinition,
    name=AlarmName.DRUM_FULL,
    priority=Priority.LOW,
    # Level: 60 s is the starting value of alarm management practice (from memory).
    on_delay_s=60.0,
    off_delay_s=60.0,
    # What lies in the cone is raised again by the next pulse.
    explains=CLEANS_LITTLE,
    rests_on=("drum_full",),
)
def _drum_full(context: StepContext, state: State) -> Condition:
    full = state.contacts.drum_full if context.setpoints.fitted.drum_full else False
    return CLEAR if full is False else (full, because(Because.DRUM_FULL))


@partial(AlarmDefinition, name=AlarmName.SMOKE, priority=Priority.HIGH, rests_on=("smoke",))
def _smoke(context: StepContext, state: State) -> Condition:
    """A smoke contact that cannot be read keeps the alarm as it was (pulses stop all the same)."""
    smoke = state.contacts.smoke if context.setpoints.fitted.smoke else False
    return CLEAR if smoke is False else (smoke, because(Because.SMOKE))


@partial(AlarmDefinition, name=AlarmName.JOURNAL_FAULT, priority=Priority.MEDIUM, off_delay_s=30.0)
def _journal_fault(_context: StepContext, state: State) -> Condition:
    fault = state.journal.fault
    return CLEAR if fault is None else (True, because(Because.JOURNAL_FAULT, fault))


def _replacement_pa(setpoints: Setpoints) -> tuple[float, ...]:
    limits = setpoints.limits
    return limits.replacement_pa, limits.replacement_pa - limits.deadband_pa


@partial(
    AlarmDefinition,
    name=AlarmName.FILTER_REPLACEMENT,
    priority=Priority.LOW,
    on_delay_s=60.0,
    off_delay_s=60.0,
    # Filters that no longer recover are why cleaning does not reach its set point.
    explains=CLEANS_LITTLE,
    rests_on=("dp", "blower_running"),
    thresholds_pa=_replacement_pa,
)
def _filter_replacement(context: StepContext, state: State) -> Condition:
    if state.replacement.fresh:
        return False, because(Because.FILTERS_CHANGED)
    # Neither the filters nor their recovery can be judged without dP at proved flow: a stopped
    # blower also reads low, and cycles run since dP was last seen may have done their work.
    limits, dp_pa = context.setpoints.limits, state.sample.usable_pa
    reason = because(
        Because.NOT_CLEANED_BELOW,
        dp_pa=state.sample.pa or 0.0,
        limit_pa=limits.replacement_pa,
        cycles=limits.replacement_cycles,
    )
    if dp_pa is None or not (state.blower.running and is_known(context, state)):
        return None, reason
    if ageing.proved(context, state.replacement):
        return True, reason
    return CLEAR if ageing.has_recovered(context, dp_pa) else (None, reason)


@partial(AlarmDefinition, name=AlarmName.ROW_NOT_RECOVERING, priority=Priority.LOW)
def _row_not_recovering(_context: StepContext, state: State) -> Condition:
    """A row that its pulses do not clean."""
    return _found(state, FindingName.ROW_NOT_RECOVERING)


@partial(AlarmDefinition, name=AlarmName.CLEANING_NOT_EFFECTIVE, priority=Priority.LOW)
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


@partial(AlarmDefinition, name=AlarmName.CLEANING_TOO_FREQUENT, priority=Priority.LOW)
def _cleaning_too_frequent(context: StepContext, state: State) -> Condition:
    if not is_frequent(context, state.cleaning_pace):
        return CLEAR
    gap_s = context.setpoints.alarm_rules.frequent_gap_s
    return True, because(Because.TOO_FREQUENT, runs=state.cleaning_pace.short, gap_s=gap_s)
