"""The life of one alarm: its delays, what hides it, and what people do to it.

Every transition comes from ``alarm_table``. A condition is True (raise), False (clear) or None:
inside the deadband, or not to be judged now; None changes nothing and starts a delay anew, since a
limit must be passed for the whole of it (as OPC UA Part 9 has it for on-delay, off-delay and
deadband). Where it is None because a reply was lost just now, the delay is held instead: it does
not end before the next that is known, and begins anew only if that is too late (``line``).
"""

from dustcake.core.alarms.table import ACTIVE, IN_VIEW, TABLE, Alarm, AlarmState, Trigger
from dustcake.core.events import AlarmChanged
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record, replace
from dustcake.core.setpoints import AlarmName, AlarmSetting
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

Condition = tuple[bool | None, Reason]


@record
class Around:
    """What else bears on an alarm: ``suppressed`` by design (None: as it was), the alarm that is
    its ``cause``, and whether one that would be is still in its on-delay (``undecided``). ``held``:
    what it rests on is not known now, but was just before; ``resumed_s``: when that was known again
    after it had not been for too long."""

    suppressed: Condition
    cause: AlarmName | None
    undecided: bool
    held: bool = False
    resumed_s: float | None = None


def is_unused(alarm: Alarm, setting: AlarmSetting) -> bool:
    """Whether nothing can come of an alarm: the settings do not use it, and it is not in view."""
    return not setting.enabled and alarm.state is AlarmState.NORMAL


def is_settled(alarm: Alarm, setting: AlarmSetting, calls: bool | None) -> bool:
    """Whether a condition that calls for this changes nothing about an alarm that is not
    suppressed: normal or active as it calls for, and nothing pending; or not used at all."""
    if not setting.enabled:
        return is_unused(alarm, setting)
    if alarm.pending_s is not None or alarm.owed:
        return False
    if calls is not None and calls is not alarm.stands:
        return False
    return alarm.state in ACTIVE if alarm.stands else alarm.state is AlarmState.NORMAL


def judge(
    context: StepContext, alarm: Alarm, setting: AlarmSetting, condition: Condition, around: Around
) -> Alarm:
    """Follow the condition after its delay, through whatever hides the alarm. One event at most."""
    after = _judged(context, alarm, setting, condition, around)
    if after.state is not alarm.state:
        return told(context, after, setting)
    if after.stands is not alarm.stands and after.state not in IN_VIEW:
        # Nobody is alarmed, but the record has it.
        return replace(told(context, after, setting), since_utc_s=alarm.since_utc_s)
    return after


def _judged(
    context: StepContext, alarm: Alarm, setting: AlarmSetting, condition: Condition, around: Around
) -> Alarm:
    if not setting.enabled:
        return go(Alarm(alarm.name, alarm.state), Trigger.DISABLE, because(Because.NOT_USED))
    if alarm.state is AlarmState.SHELVED or alarm.state is AlarmState.OUT_OF_SERVICE:
        alarm = _followed(context, alarm, setting, condition[0], around)
        if alarm.stands and setting.latching and not alarm.owed:
            alarm = replace(alarm, owed=True)
        if alarm.until_s is None or not context.is_due(alarm.until_s):
            return alarm
        alarm = go(alarm, Trigger.UNSHELVE, because(Because.SHELVING_OVER))
    hidden, why = around.suppressed
    if hidden and not (alarm.state is AlarmState.SUPPRESSED and not alarm.explained):
        # While it means nothing it is not followed either: it begins anew afterwards.
        alarm = owing(alarm, setting)
        return replace(go(alarm, Trigger.SUPPRESS, why), stands=False, pending_s=None)
    if alarm.state is AlarmState.SUPPRESSED and not alarm.explained:
        if hidden is not False:
            return alarm
        alarm = go(alarm, Trigger.UNSUPPRESS, because(Because.SUPPRESSION_OVER))
    if alarm.explained:
        return _under_cause(context, alarm, setting, condition, around)
    return _in_view(context, alarm, setting, condition, around)


def _in_view(
    context: StepContext, alarm: Alarm, setting: AlarmSetting, condition: Condition, around: Around
) -> Alarm:
    calls, reason = condition
    alarm = _followed(context, alarm, setting, calls, around, hold=around.undecided)
    if alarm.stands and alarm.state not in ACTIVE:
        if around.cause is None:
            return replace(go(alarm, Trigger.RAISE, reason), owed=False)
        return _explained(owing(alarm, setting), around.cause)
    if not alarm.stands and (alarm.owed or (alarm.state, Trigger.CLEAR) in TABLE):
        if alarm.owed:  # it was active out of view
            alarm = replace(go(alarm, Trigger.RAISE, alarm.reason), owed=False)
        return go(alarm, Trigger.CLEAR_LATCHING if setting.latching else Trigger.CLEAR, reason)
    return alarm


def _explained(alarm: Alarm, cause: AlarmName) -> Alarm:
    reason = because(Because.EXPLAINED, cause.value)
    return replace(go(alarm, Trigger.EXPLAIN, reason), cause=cause)


def _under_cause(
    context: StepContext, alarm: Alarm, setting: AlarmSetting, condition: Condition, around: Around
) -> Alarm:
    """An explained alarm goes with its condition; and once its cause has gone it comes out, if it
    then stands for its on-delay: what it watches needs that time to recover too."""
    (calls, reason), cause = condition, around.cause
    if cause is not None and alarm.cause is not cause:
        alarm = replace(alarm, cause=cause, reason=because(Because.EXPLAINED, cause.value))
    elif cause is None and alarm.cause is not None:
        alarm = replace(alarm, cause=None, stands=False, pending_s=None)
    if alarm.cause is None and calls is None:
        calls = True  # as far as anybody knows it still stands, and it must not get lost
    alarm = _followed(context, alarm, setting, calls, around)
    if alarm.cause is None and alarm.stands:
        alarm = go(alarm, Trigger.UNSUPPRESS, reason)
        return replace(go(alarm, Trigger.RAISE, reason), owed=False)
    if calls is False and not alarm.stands:
        alarm = go(alarm, Trigger.UNSUPPRESS, reason)
        return _in_view(context, alarm, setting, condition, _ALONE) if alarm.owed else alarm
    return alarm


_ALONE = Around((False, because(Because.NO_LONGER)), None, False)


def _followed(
    context: StepContext,
    alarm: Alarm,
    setting: AlarmSetting,
    calls: bool | None,
    around: Around,
    *,
    hold: bool = False,
) -> Alarm:
    """The condition after its delay. ``hold``: it may not come to stand yet, because what would
    explain it is not decided."""
    if calls is None and around.held:
        return alarm
    if calls is None or calls is alarm.stands:
        return alarm if alarm.pending_s is None else replace(alarm, pending_s=None)
    pending_s = context.now_s if alarm.pending_s is None else alarm.pending_s
    if around.resumed_s is not None:
        pending_s = max(pending_s, around.resumed_s)
    due_s = pending_s + (setting.on_delay_s if calls else setting.off_delay_s)
    if context.now_s < due_s:
        context.wake_by(due_s)
        return replace(alarm, pending_s=pending_s)
    if hold and calls:
        return replace(alarm, pending_s=pending_s)
    return replace(alarm, pending_s=None, stands=calls)


def go(alarm: Alarm, trigger: Trigger, reason: Reason) -> Alarm:
    """The alarm after a transition of the table; ``KeyError`` where there is none: a bug, since
    whoever calls has made sure of it. Only what it watches comes along."""
    to = TABLE[alarm.state, trigger]
    return Alarm(
        alarm.name, to, alarm.pending_s, reason=reason, stands=alarm.stands, owed=alarm.owed
    )


def owing(alarm: Alarm, setting: AlarmSetting) -> Alarm:
    """The alarm about to go out of view: what is latched, or would be, is owed afterwards."""
    if setting.latching and alarm.state in _HELD_BY_LATCH:
        return replace(alarm, owed=True)
    return alarm


_HELD_BY_LATCH = (*ACTIVE, AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED)


def told(context: StepContext, alarm: Alarm, setting: AlarmSetting) -> Alarm:
    """Put the alarm's new state on record."""
    context.emit(
        AlarmChanged(
            alarm.name,
            alarm.state,
            setting.priority,
            alarm.reason,
            alarm.by,
            alarm.stands,
            alarm.why,
        )
    )
    return replace(alarm, since_utc_s=context.at.utc_s)


def restart(context: StepContext, state: State) -> State:
    """After a restart, one alarm for each setting, in that order: known ones as they were, delays
    begun anew. Shelving goes on for what was left of it, less the downtime where that is known."""
    known = {alarm.name: _rebased(context, alarm) for alarm in state.alarms}
    settings = context.setpoints.alarms
    alarms = tuple(known.get(setting.name, Alarm(setting.name)) for setting in settings)
    return replace(state, alarms=alarms, unsettled=None)


def _rebased(context: StepContext, alarm: Alarm) -> Alarm:
    until_s, start = alarm.until_s, context.restart
    downtime_s = 0.0 if start is None else start.downtime_s or 0.0
    if until_s is not None:
        until_s = context.now_s + max(0.0, until_s - context.last_s - downtime_s)
    return replace(alarm, pending_s=None, until_s=until_s)
