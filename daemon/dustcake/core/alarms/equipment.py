"""Alarms of the equipment, compressed air, valves, outputs, blower, drum, smoke and journal; and of
what cleaning achieves with it."""

from dustcake.core.alarms.life import CLEAR, NOT_SUPPRESSED, Condition, alarm
from dustcake.core.alarms.names import AlarmName, Priority
from dustcake.core.alarms.readings import blower_off
from dustcake.core.blower import runs_now
from dustcake.core.cleaning.runs import downtime_is_owed, is_frequent
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


@alarm(AlarmName.VALVE_STUCK_OPEN, Priority.HIGH)
def _valve_stuck_open(_context: StepContext, state: State) -> Condition:
    """An output that reads energised, or a header that empties through a valve nobody holds
    open."""
    if state.outputs.stuck:
        return True, because(Because.VALVE_STUCK_OPEN, state.outputs.fault)
    return _found(state, FindingName.VALVE_STUCK_OPEN)


@alarm(AlarmName.OUTPUTS_LOST, Priority.MEDIUM, on_delay_s=30.0, off_delay_s=30.0)
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
    is_owed = downtime_is_owed(context.setpoints, state.blower)
    return NOT_SUPPRESSED if is_owed else blower_off(context, state)


def _header_low_pa(setpoints: Setpoints) -> tuple[float, ...]:
    min_pa = setpoints.header_limits.min_pa
    return min_pa, min_pa * (1 + HEADER_DEADBAND)


@alarm(
    AlarmName.HEADER_PRESSURE_LOW,
    Priority.MEDIUM,
    on_delay_s=30.0,
    off_delay_s=30.0,
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


@alarm(AlarmName.HEADER_NOT_RECOVERING, Priority.LOW)
def _header_not_recovering(_context: StepContext, state: State) -> Condition:
    """Not refilled at all, slow to recover, or weak at rest."""
    names = FindingName.HEADER_NOT_REFILLED, FindingName.HEADER_SLOW, FindingName.HEADER_WEAK
    return _found(state, *names)


@alarm(AlarmName.VALVE_DOES_NOT_FIRE, Priority.LOW)
def _valve_does_not_fire(_context: StepContext, state: State) -> Condition:
    """One valve, or all."""
    return _found(state, FindingName.VALVE_DOES_NOT_FIRE)


def _contact(context: StepContext, state: State, name: str) -> bool | None:
    """What a contact reads, None where it cannot be read; False where there is none."""
    made: bool | None = getattr(state.contacts, name)
    return made if getattr(context.setpoints.fitted, name) else False


@alarm(
    AlarmName.BLOWER_NOT_PROVED,
    Priority.MEDIUM,
    on_delay_s=60.0,
    off_delay_s=5.0,
    rests_on=("blower_running", "process_running", "smoke", "stop"),
)
def _blower_not_proved(context: StepContext, state: State) -> Condition:
    """The blower should run, because it has been commanded to or the process makes dust, and its
    contact says that it does not. With smoke or the stop input it is meant to stand still. A
    contact that cannot be read says neither."""
    process = _contact(context, state, "process_running")
    should_run = state.blower.announced or process
    stops = _contact(context, state, "smoke"), _contact(context, state, "stop")
    runs, fitted = state.contacts.blower_running, context.setpoints.fitted.blower_running
    if not fitted or runs or should_run is False or any(stops):
        return CLEAR
    unreadable = None in (runs, should_run, *stops)
    why = "the process equipment runs" if process else "it has been commanded to run"
    return (None if unreadable else True), because(Because.BLOWER_SHOULD_RUN, why)


@alarm(
    AlarmName.DRUM_FULL,
    Priority.LOW,
    # Level: 60 s is the starting value of alarm management practice (from memory).
    on_delay_s=60.0,
    off_delay_s=60.0,
    rests_on=("drum_full",),
)
def _drum_full(context: StepContext, state: State) -> Condition:
    full = _contact(context, state, "drum_full")
    return CLEAR if full is False else (full, because(Because.DRUM_FULL))


@alarm(AlarmName.SMOKE, Priority.HIGH, rests_on=("smoke",))
def _smoke(context: StepContext, state: State) -> Condition:
    """A smoke contact that cannot be read keeps the alarm as it was (pulses stop all the same)."""
    smoke = _contact(context, state, "smoke")
    return CLEAR if smoke is False else (smoke, because(Because.SMOKE))


@alarm(AlarmName.JOURNAL_FAULT, Priority.MEDIUM, off_delay_s=30.0)
def _journal_fault(_context: StepContext, state: State) -> Condition:
    fault = state.journal.fault
    return CLEAR if fault is None else (True, because(Because.JOURNAL_FAULT, fault))


def _replacement_pa(setpoints: Setpoints) -> tuple[float, ...]:
    limits = setpoints.limits
    return limits.replacement_pa, limits.replacement_pa - limits.deadband_pa


@alarm(
    AlarmName.FILTER_REPLACEMENT,
    Priority.LOW,
    on_delay_s=60.0,
    off_delay_s=60.0,
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
    if dp_pa is None or not runs_now(context, state):
        return None, reason
    if ageing.proved(context, state.replacement):
        return True, reason
    return CLEAR if ageing.has_recovered(context, dp_pa) else (None, reason)


@alarm(AlarmName.ROW_NOT_RECOVERING, Priority.LOW)
def _row_not_recovering(_context: StepContext, state: State) -> Condition:
    """A row that its pulses do not clean."""
    return _found(state, FindingName.ROW_NOT_RECOVERING)


@alarm(AlarmName.CLEANING_NOT_EFFECTIVE, Priority.LOW)
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


@alarm(AlarmName.CLEANING_TOO_FREQUENT, Priority.LOW)
def _cleaning_too_frequent(context: StepContext, state: State) -> Condition:
    if not is_frequent(context, state.cleaning_pace):
        return CLEAR
    gap_s = context.setpoints.alarm_rules.frequent_gap_s
    return True, because(Because.TOO_FREQUENT, runs=state.cleaning_pace.short, gap_s=gap_s)
