"""Suppression by design: when an alarm would mean nothing, because of what the plant is doing.

Each situation says True, False, or None where it is not known, which leaves an alarm as it was.
Common practice, no source.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from dustcake.core.alarms.life import Condition
from dustcake.core.reasons import Because, because
from dustcake.core.setpoints import AlarmName
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

Situation = Callable[[StepContext, State], Condition]

IN_FORCE: Condition = (False, because(Because.SUPPRESSION_OVER))
_ZEROING: Condition = (True, because(Because.ZEROING))
_BLOWER_OFF = because(Because.BLOWER_OFF)


def _blower_off(context: StepContext, state: State) -> Condition:
    """Only a contact can prove that the blower is off."""
    if not context.setpoints.fitted.blower_running:
        return IN_FORCE
    running = state.blower.running
    return (None if running is None else not running), _BLOWER_OFF


def _nothing_to_pulse(context: StepContext, state: State) -> Condition:
    """The compressor is often shut down with the blower. Until downtime cleaning has been done,
    where it is wanted, air is needed all the same."""
    cleaning, run_s = context.setpoints.cleaning, state.blower.run_s
    if cleaning.downtime and run_s > 0 and run_s >= cleaning.downtime_min_run_s:
        return IN_FORCE
    return _blower_off(context, state)


def _start_up(context: StepContext, state: State) -> Condition:
    """The blower has just started, so dP has not built up yet."""
    settle_s = context.setpoints.limits.low_start_delay_s
    contact = context.setpoints.fitted.blower_running
    if not (contact and state.blower.running) or context.is_due(state.blower.since_s + settle_s):
        return IN_FORCE
    return True, because(Because.START_UP, start_delay_s=settle_s)


def _zeroing(_context: StepContext, state: State) -> Condition:
    return _ZEROING if state.zero.under_way else IN_FORCE


def _seasoning(context: StepContext, state: State) -> Condition:
    """New filters have no cake yet and read low, which looks like a torn one."""
    seasoning_s = context.setpoints.alarm_rules.seasoning_s
    changed_s = state.log_book.filters_changed_s
    if changed_s is None or context.is_due(state.blower.total_reaches_s(changed_s + seasoning_s)):
        return IN_FORCE
    return True, because(Because.SEASONING, seasoning_s=seasoning_s)


SUPPRESSED_BY: Mapping[AlarmName, tuple[Situation, ...]] = MappingProxyType(
    {
        AlarmName.LOW_DP: (_blower_off, _start_up, _zeroing, _seasoning),
        AlarmName.HIGH_DP: (_zeroing,),
        AlarmName.TRANSMITTER_FAULT: (_zeroing,),
        AlarmName.HEADER_PRESSURE_LOW: (_nothing_to_pulse,),
    }
)
"""Which situations make which alarm meaningless, in the order they are named."""


def suppressed(context: StepContext, state: State, name: AlarmName) -> Condition:
    """Whether an alarm of ``SUPPRESSED_BY`` is suppressed by design, and by what."""
    unknown: Condition | None = None
    for situation in SUPPRESSED_BY[name]:
        holds, reason = situation(context, state)
        if holds:
            return True, reason
        if holds is None and unknown is None:
            unknown = None, reason
    return unknown or IN_FORCE
