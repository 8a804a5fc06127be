"""What people do to alarms: acknowledge, reset, shelve, take out of service, and back."""

from collections.abc import Callable

from dustcake.core.alarms.life import go, owing, told
from dustcake.core.alarms.table import TABLE, Alarm, AlarmState, Trigger
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record, replace
from dustcake.core.requests.kinds import Acknowledge, AlarmAction, HandleAlarm
from dustcake.core.setpoints import AlarmSetting
from dustcake.core.step_context import StepContext

Alarms = tuple[Alarm, ...]


Why = Callable[[Alarm], Reason]


@record
class _Way:
    """``done``: the reason the alarm then has, None to keep the one it had; ``refused``: why not,
    where the table knows no such transition."""

    trigger: Trigger
    done: Reason | None
    refused: Why
    needs_why: bool = False


def _why_not_reset(alarm: Alarm) -> Reason:
    if alarm.state is AlarmState.LATCHED_UNACKNOWLEDGED:
        return because(Because.ACKNOWLEDGE_FIRST, alarm.name.value)
    return because(Because.NOT_LATCHED, alarm.name.value)


_ACKNOWLEDGE = _Way(
    Trigger.ACKNOWLEDGE,
    None,
    lambda alarm: because(Because.NOTHING_TO_ACKNOWLEDGE, alarm.name.value),
)
_WAYS = {
    AlarmAction.RESET: _Way(Trigger.RESET, because(Because.RESET), _why_not_reset),
    AlarmAction.SHELVE: _Way(
        Trigger.SHELVE,
        because(Because.SHELVED),
        lambda alarm: because(Because.CANNOT_BE_SHELVED, alarm.name.value),
        needs_why=True,
    ),
    AlarmAction.UNSHELVE: _Way(
        Trigger.UNSHELVE,
        because(Because.UNSHELVED),
        lambda alarm: because(Because.NOT_SHELVED, alarm.name.value),
    ),
    AlarmAction.OUT_OF_SERVICE: _Way(
        Trigger.REMOVE,
        because(Because.OUT_OF_SERVICE),
        lambda alarm: because(Because.ALREADY_OUT_OF_SERVICE, alarm.name.value),
        needs_why=True,
    ),
    AlarmAction.IN_SERVICE: _Way(
        Trigger.RESTORE,
        because(Because.IN_SERVICE),
        lambda alarm: because(Because.NOT_OUT_OF_SERVICE, alarm.name.value),
    ),
}


def handle(
    context: StepContext, alarms: Alarms, asked: Acknowledge | HandleAlarm, by: str
) -> tuple[Alarms, bool, Reason]:
    """The alarms after what was asked, whether it was accepted, and why."""
    for i, (alarm, setting) in enumerate(zip(alarms, context.setpoints.alarms, strict=True)):
        if alarm.name == asked.alarm:
            way = _ACKNOWLEDGE if isinstance(asked, Acknowledge) else _WAYS[asked.action]
            refusal = _refusal(context, way, alarm, setting, asked)
            if refusal is not None:
                return alarms, False, refusal
            changed = told(context, _changed(context, way, alarm, setting, asked, by), setting)
            return (*alarms[:i], changed, *alarms[i + 1 :]), True, because(Because.DONE)
    return alarms, False, because(Because.NO_SUCH_ALARM, asked.alarm)


def _refusal(
    context: StepContext,
    way: _Way,
    alarm: Alarm,
    setting: AlarmSetting,
    asked: Acknowledge | HandleAlarm,
) -> Reason | None:
    if not setting.enabled:
        return because(Because.ALARM_NOT_USED, asked.alarm)
    if (alarm.state, way.trigger) not in TABLE:
        return way.refused(alarm)
    if isinstance(asked, Acknowledge):
        return None
    if way.needs_why and not asked.why.strip():
        return because(Because.NO_WHY)
    longest_s = context.setpoints.alarm_rules.shelve_max_s
    if asked.action is AlarmAction.SHELVE and not 0 < (asked.for_s or 0.0) <= longest_s:
        return because(Because.SHELVE_TIME, shelve_max_s=longest_s)
    return None


def _changed(
    context: StepContext,
    way: _Way,
    alarm: Alarm,
    setting: AlarmSetting,
    asked: Acknowledge | HandleAlarm,
    by: str,
) -> Alarm:
    if way.trigger in (Trigger.SHELVE, Trigger.REMOVE):
        alarm = owing(alarm, setting)
    reason = alarm.reason if way.done is None else way.done
    alarm = replace(go(alarm, way.trigger, reason), by=by)
    if isinstance(asked, Acknowledge):
        return alarm
    for_s, utc_s = asked.for_s, context.at.utc_s
    if way.trigger is Trigger.SHELVE and for_s is not None:
        until_utc_s = None if utc_s is None else utc_s + for_s
        alarm = replace(alarm, until_s=context.now_s + for_s, until_utc_s=until_utc_s)
    return replace(alarm, why=asked.why)
