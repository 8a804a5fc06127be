"""What is stated of an alarm, once; and when alarms would mean nothing, by design.

Suppression by design is common practice, no source. Each situation says True, False, or None where
it is not known, which leaves an alarm as it was.
"""

from collections.abc import Callable

from dustcake.core.alarms.life import Condition
from dustcake.core.alarms.names import AlarmName, Priority
from dustcake.core.reasons import Because, because
from dustcake.core.record import record
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

Judge = Callable[[StepContext, State], Condition]
Thresholds = Callable[[Setpoints], tuple[float, ...]]

CLEAR: Condition = (False, because(Because.NO_LONGER))
NOT_SUPPRESSED: Condition = (False, because(Because.SUPPRESSION_OVER))
_BLOWER_OFF, _ZEROING = because(Because.BLOWER_OFF), because(Because.ZEROING)


@record
class AlarmDefinition:
    """One entry of the catalogue.

    ``plc_bit``: its bit in the registers for a PLC, which no other alarm ever gets. ``priority``
    and the delays are defaults, which settings may change; a delay of 0 is for evidence that takes
    its time. ``explains``: alarms that, coming up while this one is active, are suppressed with
    this one named as the cause. ``suppressed_by``: situations in which it would mean nothing, in
    the order they are named. ``rests_on``: the signals without which it cannot be judged, as
    ``Line`` calls them; a lost reply holds its delays. ``thresholds_pa``, ``header_thresholds_pa``:
    every dP, and header pressure, at which ``condition`` changes its answer.
    """

    name: AlarmName
    plc_bit: int
    priority: Priority
    condition: Judge
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    explains: tuple[AlarmName, ...] = ()
    suppressed_by: tuple[Judge, ...] = ()
    rests_on: tuple[str, ...] = ()
    thresholds_pa: Thresholds | None = None
    header_thresholds_pa: Thresholds | None = None

    def suppressed(self, context: StepContext, state: State) -> Condition:
        """Whether it is suppressed by design, and by what."""
        unknown: Condition | None = None
        for situation in self.suppressed_by:
            holds, reason = situation(context, state)
            if holds:
                return True, reason
            if holds is None and unknown is None:
                unknown = None, reason
        return unknown or NOT_SUPPRESSED


def blower_off(context: StepContext, state: State) -> Condition:
    """Only a contact can prove that the blower is off."""
    if not context.setpoints.fitted.blower_running:
        return NOT_SUPPRESSED
    running = state.blower.running
    return (None if running is None else not running), _BLOWER_OFF


def nothing_to_pulse(context: StepContext, state: State) -> Condition:
    """The compressor is often shut down with the blower. Until downtime cleaning has been done,
    where it is wanted, air is needed all the same."""
    cleaning, run_s = context.setpoints.cleaning, state.blower.run_s
    if cleaning.downtime and run_s > 0 and run_s >= cleaning.downtime_min_run_s:
        return NOT_SUPPRESSED
    return blower_off(context, state)


def start_up(context: StepContext, state: State) -> Condition:
    """The blower has just started, so dP has not built up yet."""
    settle_s = context.setpoints.limits.low_start_delay_s
    contact = context.setpoints.fitted.blower_running
    if not (contact and state.blower.running) or context.is_due(state.blower.since_s + settle_s):
        return NOT_SUPPRESSED
    return True, because(Because.START_UP, start_delay_s=settle_s)


def zeroing(_context: StepContext, state: State) -> Condition:
    """The zero of the transmitter is being taken."""
    return (True, _ZEROING) if state.zero.under_way else NOT_SUPPRESSED


def seasoning(context: StepContext, state: State) -> Condition:
    """New filters have no cake yet and read low, which looks like a torn one."""
    seasoning_s = context.setpoints.alarm_rules.seasoning_s
    changed_s = state.log_book.filters_changed_s
    if changed_s is None or context.is_due(state.blower.total_reaches_s(changed_s + seasoning_s)):
        return NOT_SUPPRESSED
    return True, because(Because.SEASONING, seasoning_s=seasoning_s)
