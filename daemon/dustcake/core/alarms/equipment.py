"""Alarms of the equipment: compressed air, valves and outputs, blower, drum, smoke, journal."""

from dustcake.core.alarms.definition import CLEAR, AlarmDefinition, nothing_to_pulse
from dustcake.core.alarms.life import Condition
from dustcake.core.alarms.names import AlarmName, Priority
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
    for name in names:
        finding = standing(state.pulse_response, name)
        if finding is not None:
            return True, finding.reason
    return CLEAR


def _valve_stuck_open(_context: StepContext, state: State) -> Condition:
    """An output that reads energised, or a header that empties through a valve nobody holds
    open."""
    if state.outputs.stuck:
        return True, because(Because.VALVE_STUCK_OPEN, state.outputs.fault)
    return _found(state, FindingName.VALVE_STUCK_OPEN)


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


def _header_pressure_low(context: StepContext, state: State) -> Condition:
    min_pa = context.setpoints.header_limits.min_pa
    header_pa = None if state.header is None else state.header.usable_pa
    if context.setpoints.header is None:
        return CLEAR
    if header_pa is None:
        return None, because(Because.HEADER_UNKNOWN)
    if header_pa >= min_pa * (1 + HEADER_DEADBAND):
        return CLEAR
    demand = True if header_pa < min_pa else None
    return demand, because(Because.HEADER_LOW, header_pa=header_pa, min_pa=min_pa)


def _header_low_pa(setpoints: Setpoints) -> tuple[float, ...]:
    min_pa = setpoints.header_limits.min_pa
    return min_pa, min_pa * (1 + HEADER_DEADBAND)


def _header_not_recovering(_context: StepContext, state: State) -> Condition:
    """Not refilled at all, slow to recover, or weak at rest."""
    return _found(
        state,
        FindingName.HEADER_NOT_REFILLED,
        FindingName.HEADER_SLOW,
        FindingName.HEADER_WEAK,
    )


def _valve_does_not_fire(_context: StepContext, state: State) -> Condition:
    """One valve, or all."""
    return _found(state, FindingName.VALVE_DOES_NOT_FIRE)


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


def _drum_full(context: StepContext, state: State) -> Condition:
    full = state.contacts.drum_full if context.setpoints.fitted.drum_full else False
    return CLEAR if full is False else (full, because(Because.DRUM_FULL))


def _smoke(context: StepContext, state: State) -> Condition:
    """A smoke contact that cannot be read keeps the alarm as it was (pulses stop all the same)."""
    smoke = state.contacts.smoke if context.setpoints.fitted.smoke else False
    return CLEAR if smoke is False else (smoke, because(Because.SMOKE))


def _journal_fault(_context: StepContext, state: State) -> Condition:
    fault = state.journal.fault
    return CLEAR if fault is None else (True, because(Because.JOURNAL_FAULT, fault))


ALARMS = (
    AlarmDefinition(
        AlarmName.VALVE_STUCK_OPEN,
        plc_bit=8,
        priority=Priority.HIGH,
        condition=_valve_stuck_open,
        # One open valve empties the header.
        explains=(
            AlarmName.HEADER_PRESSURE_LOW,
            AlarmName.HEADER_NOT_RECOVERING,
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
    ),
    # Pulses that are not fired, or have no air, clean nothing.
    AlarmDefinition(
        AlarmName.OUTPUTS_LOST,
        plc_bit=7,
        priority=Priority.MEDIUM,
        condition=_outputs_lost,
        on_delay_s=30.0,
        off_delay_s=30.0,
        explains=(AlarmName.CLEANING_NOT_EFFECTIVE, AlarmName.CLEANING_TOO_FREQUENT),
    ),
    AlarmDefinition(
        AlarmName.HEADER_PRESSURE_LOW,
        plc_bit=4,
        priority=Priority.MEDIUM,
        condition=_header_pressure_low,
        on_delay_s=30.0,
        off_delay_s=30.0,
        explains=(
            AlarmName.HEADER_NOT_RECOVERING,
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
        suppressed_by=(nothing_to_pulse,),
        rests_on=("header",),
        header_thresholds_pa=_header_low_pa,
    ),
    AlarmDefinition(
        AlarmName.HEADER_NOT_RECOVERING,
        plc_bit=19,
        priority=Priority.LOW,
        condition=_header_not_recovering,
        explains=(AlarmName.CLEANING_NOT_EFFECTIVE, AlarmName.CLEANING_TOO_FREQUENT),
    ),
    AlarmDefinition(
        AlarmName.VALVE_DOES_NOT_FIRE,
        plc_bit=18,
        priority=Priority.LOW,
        condition=_valve_does_not_fire,
        # One row less to clean.
        explains=(
            AlarmName.ROW_NOT_RECOVERING,
            AlarmName.CLEANING_NOT_EFFECTIVE,
            AlarmName.CLEANING_TOO_FREQUENT,
        ),
    ),
    AlarmDefinition(
        AlarmName.BLOWER_NOT_PROVED,
        plc_bit=13,
        priority=Priority.MEDIUM,
        condition=_blower_not_proved,
        on_delay_s=60.0,
        off_delay_s=5.0,
        rests_on=("blower_running", "process_running", "smoke", "stop"),
    ),
    AlarmDefinition(
        AlarmName.DRUM_FULL,
        plc_bit=14,
        priority=Priority.LOW,
        condition=_drum_full,
        # Level: 60 s is the starting value of alarm management practice (from memory).
        on_delay_s=60.0,
        off_delay_s=60.0,
        # What lies in the cone is raised again by the next pulse.
        explains=(AlarmName.CLEANING_NOT_EFFECTIVE, AlarmName.CLEANING_TOO_FREQUENT),
        rests_on=("drum_full",),
    ),
    AlarmDefinition(
        AlarmName.SMOKE,
        plc_bit=9,
        priority=Priority.HIGH,
        condition=_smoke,
        rests_on=("smoke",),
    ),
    AlarmDefinition(
        AlarmName.JOURNAL_FAULT,
        plc_bit=10,
        priority=Priority.MEDIUM,
        condition=_journal_fault,
        off_delay_s=30.0,
    ),
)
