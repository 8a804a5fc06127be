"""What each alarm watches: whether it calls to be raised (True), cleared (False), or neither."""

from collections.abc import Callable
from dataclasses import replace

from dustcake.core import replacement
from dustcake.core.alarms import Condition, judge
from dustcake.core.blower import PROOF_KEPT
from dustcake.core.reading import Quality
from dustcake.core.reasons import Because, because
from dustcake.core.setpoints import AlarmName, Setpoints
from dustcake.core.state import State
from dustcake.core.turn import Turn

# An alarm on header pressure clears only this far above its limit (pressure: 2 % of range is the
# starting value of alarm management practice; from memory).
HEADER_DEADBAND = 0.02

# So many failed pulses in a row are no accident, even where the outputs are proved off each time.
FAILURES_TOLD = 3

_CLEAR: Condition = (False, because(Because.NO_LONGER))


def judge_all(turn: Turn, state: State) -> State:
    """Every alarm, in the order of the settings."""
    alarms = tuple(
        judge(turn, alarm, setting, CONDITIONS[setting.name](turn, state))
        for alarm, setting in zip(state.alarms, turn.setpoints.alarms, strict=True)
    )
    return replace(state, alarms=alarms)


def thresholds_pa(setpoints: Setpoints) -> tuple[float, ...]:
    """Every dP at which any comparison in the core changes its answer."""
    limits, cleaning = setpoints.limits, setpoints.cleaning
    return (
        cleaning.low_pa,
        cleaning.high_pa,
        limits.replacement_pa,
        limits.replacement_pa - limits.deadband_pa,
        limits.high_pa,
        limits.high_pa - limits.deadband_pa,
        limits.low_pa,
        limits.low_pa + limits.deadband_pa,
        setpoints.blower.flow_proof_pa,
        setpoints.blower.flow_proof_pa * PROOF_KEPT,
    )


def header_thresholds_pa(setpoints: Setpoints) -> tuple[float, ...]:
    """Every header pressure at which any comparison in the core changes its answer."""
    limits = setpoints.header_limits
    return limits.min_pa, limits.min_pa * (1 + HEADER_DEADBAND), limits.max_pa


def _filter_replacement(turn: Turn, state: State) -> Condition:
    limits = turn.setpoints.limits
    reason = because(
        Because.NOT_CLEANED_BELOW,
        dp_pa=state.sample.pa or 0.0,
        limit_pa=limits.replacement_pa,
        cycles=limits.replacement_cycles,
    )
    if state.sample.usable_pa is None or not state.blower.running:
        # Neither the filters nor their recovery can be judged without dP at proved flow: a stopped
        # blower also reads low, and cycles run since dP was last seen may have done their work.
        return None, reason
    if replacement.proved(turn, state.worn):
        return True, reason
    return (None, reason) if state.worn.above else _CLEAR


def _high_dp(turn: Turn, state: State) -> Condition:
    limits, sample = turn.setpoints.limits, state.sample
    # Beyond the span is no measurement, but it is high.
    above_span = sample.quality is Quality.OUT_OF_SPECIFICATION
    dp_pa = sample.pa if above_span else sample.usable_pa
    if dp_pa is None or (above_span and dp_pa < limits.high_pa):
        return None, sample.reasons[0]
    reason = because(Because.ABOVE_LIMIT, dp_pa=dp_pa, limit_pa=limits.high_pa)
    if dp_pa >= limits.high_pa:
        return True, reason
    return (False if dp_pa < limits.high_pa - limits.deadband_pa else None), reason


def _low_dp(turn: Turn, state: State) -> Condition:
    """Low dP means something only while the blower is proved by its contact: dP alone cannot tell
    a torn filter from a stopped fan. With the blower off the alarm is suppressed by design."""
    limits, dp_pa, blower = turn.setpoints.limits, state.sample.usable_pa, state.blower
    if dp_pa is None:
        return None, state.sample.reasons[0]
    reason = because(Because.BELOW_LIMIT, dp_pa=dp_pa, limit_pa=limits.low_pa)
    if blower.running is False:
        return False, because(Because.BLOWER_OFF)
    if not (turn.setpoints.fitted.blower_running and blower.running):
        return None, reason
    from_s = blower.since_s + limits.low_start_delay_s
    if turn.now_s < from_s:
        turn.by(from_s)
        return None, reason
    if dp_pa <= limits.low_pa:
        return True, reason
    return (False if dp_pa > limits.low_pa + limits.deadband_pa else None), reason


def _cleaning_not_effective(turn: Turn, state: State) -> Condition:
    settings = turn.setpoints.cleaning
    reason = because(
        Because.LIMIT_OF_CYCLES,
        dp_pa=state.sample.pa or 0.0,
        low_pa=settings.low_pa,
        cycles=settings.max_cycles,
    )
    return (True, reason) if state.cleaning.not_effective else _CLEAR


def _header_pressure_low(turn: Turn, state: State) -> Condition:
    min_pa = turn.setpoints.header_limits.min_pa
    header_pa = None if state.header is None else state.header.usable_pa
    if turn.setpoints.header is None:
        return _CLEAR
    if header_pa is None:
        return None, because(Because.HEADER_UNKNOWN)
    if header_pa < min_pa:
        return True, because(Because.HEADER_LOW, header_pa=header_pa, min_pa=min_pa)
    if header_pa >= min_pa * (1 + HEADER_DEADBAND):
        return _CLEAR
    return None, because(Because.HEADER_LOW, header_pa=header_pa, min_pa=min_pa)


def _header_transmitter_fault(turn: Turn, state: State) -> Condition:
    if turn.setpoints.header is None:
        return _CLEAR
    if state.header is None:  # not read yet
        return None, because(Because.NO_SAMPLE_YET)
    if state.header.usable_pa is not None:
        return _CLEAR
    return True, state.header.reasons[0]


def _transmitter_fault(_turn: Turn, state: State) -> Condition:
    sample = state.sample
    if sample.usable_pa is not None:
        return _CLEAR
    if sample.quality is Quality.FUNCTION_CHECK:
        return None, sample.reasons[0]
    return True, sample.reasons[0]


def _outputs_lost(_turn: Turn, state: State) -> Condition:
    """Outputs that cannot be proved off, that answer but fail one pulse after another, or a blower
    run output that cannot be told."""
    outputs, failures, blower = state.outputs, state.pulsing.failures, state.blower
    if outputs.fault and not outputs.stuck:  # a stuck valve has an alarm of its own
        return True, because(Because.OUTPUTS_FAULT, outputs.fault)
    if failures >= FAILURES_TOLD:
        return True, because(Because.PULSES_FAIL, failures=failures)
    if blower.fault:
        return True, because(Because.BLOWER_NOT_TOLD, blower.fault)
    return (None, because(Because.PULSES_FAIL, failures=failures)) if failures else _CLEAR


def _valve_stuck_open(_turn: Turn, state: State) -> Condition:
    if state.outputs.stuck:
        return True, because(Because.VALVE_STUCK_OPEN, state.outputs.fault)
    return _CLEAR


def _smoke(turn: Turn, state: State) -> Condition:
    """A smoke contact that cannot be read keeps the alarm as it was (pulses stop all the same)."""
    smoke = state.contacts.smoke if turn.setpoints.fitted.smoke else False
    return _CLEAR if smoke is False else (smoke, because(Because.SMOKE))


def _journal_fault(_turn: Turn, state: State) -> Condition:
    fault = state.journal.fault
    return _CLEAR if fault is None else (True, because(Because.JOURNAL_FAULT, fault))


CONDITIONS: dict[AlarmName, Callable[[Turn, State], Condition]] = {
    AlarmName.FILTER_REPLACEMENT: _filter_replacement,
    AlarmName.HIGH_DP: _high_dp,
    AlarmName.LOW_DP: _low_dp,
    AlarmName.CLEANING_NOT_EFFECTIVE: _cleaning_not_effective,
    AlarmName.HEADER_PRESSURE_LOW: _header_pressure_low,
    AlarmName.HEADER_TRANSMITTER_FAULT: _header_transmitter_fault,
    AlarmName.TRANSMITTER_FAULT: _transmitter_fault,
    AlarmName.OUTPUTS_LOST: _outputs_lost,
    AlarmName.VALVE_STUCK_OPEN: _valve_stuck_open,
    AlarmName.SMOKE: _smoke,
    AlarmName.JOURNAL_FAULT: _journal_fault,
}
