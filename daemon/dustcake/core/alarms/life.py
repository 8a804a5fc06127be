"""The life of one alarm: what is stated of it, its delays, what hides it, what people do to it.

Every transition comes from ``names.TABLE``. A condition demands that its alarm be raised (True),
cleared (False), or neither (None): inside the deadband, or not to be judged now. None changes
nothing and starts a delay anew, since a limit must be passed for the whole of it (as OPC UA Part 9
has it for on-delay, off-delay and deadband). Where it is None because a reply was lost just now,
the delay is held instead: it does not end before the next that is known, and begins anew only if
that is too late (``line``).
"""

from collections.abc import Callable
from functools import partial
from math import inf
from typing import Any

from dustcake.core.alarms.names import (
    ACTIVE,
    IN_VIEW,
    TABLE,
    Alarm,
    AlarmName,
    AlarmSetting,
    AlarmState,
    Priority,
    Trigger,
)
from dustcake.core.events import AlarmChanged
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record, replace, update
from dustcake.core.requests.kinds import Acknowledge, AlarmAction, HandleAlarm
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

Condition = tuple[bool | None, Reason]
"""What a condition demands of its alarm, and why."""
Judge = Callable[[StepContext, State], Condition]
Thresholds = Callable[[Setpoints], tuple[float, ...]]

CLEAR: Condition = (False, because(Because.NO_LONGER))
NOT_SUPPRESSED: Condition = (False, because(Because.SUPPRESSION_OVER))


@record
class AlarmDefinition:
    """One entry of the catalogue: all that is stated of an alarm.

    ``priority`` and the delays are defaults, which settings may change; a delay of 0 is for
    evidence that takes its time. ``suppressed_by``: situations in which it would
    mean nothing, by design (common practice, no source), in the order they are named; None where
    that is not known, which leaves it as it was. ``rests_on``: the signals without which it cannot
    be judged, as ``Line`` calls them; a lost reply holds its delays. ``thresholds_pa``,
    ``header_thresholds_pa``: every dP, and header pressure, at which ``condition`` changes its
    answer.
    """

    condition: Judge
    name: AlarmName
    priority: Priority
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    suppressed_by: tuple[Judge, ...] = ()
    rests_on: tuple[str, ...] = ()
    thresholds_pa: Thresholds | None = None
    header_thresholds_pa: Thresholds | None = None

    def suppressed(self, context: StepContext, state: State) -> Condition:
        """Whether it is suppressed by design, and by what."""
        found = NOT_SUPPRESSED
        for situation in self.suppressed_by:
            condition = situation(context, state)
            if condition[0]:
                return condition
            if condition[0] is None and found[0] is False:
                found = condition
        return found


def alarm(name: AlarmName, priority: Priority, **stated: Any) -> Callable[[Judge], AlarmDefinition]:
    """A condition so decorated is the entry of its alarm; ``stated``: as there."""
    return partial(AlarmDefinition, name=name, priority=priority, **stated)


@record
class AlarmContext:
    """All that bears on one alarm in a step.

    ``suppressed``: whether by design (None: not known, so as it was). ``cause``: the active alarm
    that explains it; ``undecided``: one that would is still in its on-delay. ``held``: what it
    rests on is not known now, but was just before; ``resumed_s``: when that was known again after
    it had not been for too long, minus infinity where it has been.
    """

    setting: AlarmSetting
    condition: Condition
    suppressed: Condition
    cause: AlarmName | None = None
    undecided: bool = False
    held: bool = False
    resumed_s: float = -inf


def follow(context: StepContext, alarm: Alarm, inputs: AlarmContext) -> Alarm:
    """Follow the condition after its delay, through whatever hides the alarm. One event at most."""
    after = _advanced(context, alarm, inputs)
    if after.state is not alarm.state:
        return _recorded(context, after, inputs.setting)
    if after.condition_active is not alarm.condition_active and after.state not in IN_VIEW:
        # Nobody is alarmed, but the record has it.
        recorded = _recorded(context, after, inputs.setting)
        return replace(recorded, since_utc_s=alarm.since_utc_s)
    return after


def out_of_use(context: StepContext, alarm: Alarm, setting: AlarmSetting) -> Alarm:
    """An alarm that the settings do not use (any longer)."""
    if alarm.state is AlarmState.NORMAL:
        return alarm
    blank = Alarm(alarm.name, alarm.state)
    return _recorded(
        context, transition(blank, Trigger.DISABLE, because(Because.NOT_USED)), setting
    )


def _advanced(context: StepContext, alarm: Alarm, inputs: AlarmContext) -> Alarm:
    if alarm.state in _SET_ASIDE:
        alarm = _set_aside(context, alarm, inputs)
        if alarm.state in _SET_ASIDE:
            return alarm
    hidden, why = inputs.suppressed
    if alarm.state is AlarmState.SUPPRESSED and not alarm.explained:
        if hidden is not False:
            return alarm
        alarm = transition(alarm, Trigger.UNSUPPRESS, because(Because.SUPPRESSION_OVER))
    elif hidden:
        # While it means nothing it is not followed either: it begins anew afterwards.
        alarm = transition(_leaving_view(alarm, inputs.setting), Trigger.SUPPRESS, why)
        return replace(alarm, condition_active=False, pending_s=None)
    if alarm.explained:
        return _under_cause(context, alarm, inputs)
    return _in_view(context, alarm, inputs)


_SET_ASIDE = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)


def _set_aside(context: StepContext, alarm: Alarm, inputs: AlarmContext) -> Alarm:
    """What a person has set aside is followed all the same; shelving ends when its time is over."""
    alarm = _after_delay(context, alarm, inputs, inputs.condition[0])
    if alarm.condition_active and inputs.setting.latching:
        alarm = update(alarm, relatch=True)
    if alarm.until_s is None or not context.is_due(alarm.until_s):
        return alarm
    return transition(alarm, Trigger.UNSHELVE, because(Because.SHELVING_OVER))


def _in_view(context: StepContext, alarm: Alarm, inputs: AlarmContext) -> Alarm:
    demand, reason = inputs.condition
    alarm = _after_delay(context, alarm, inputs, demand, hold=inputs.undecided)
    if alarm.condition_active and alarm.state not in ACTIVE:
        if inputs.cause is None:
            return _raised(alarm, reason)
        alarm = _leaving_view(alarm, inputs.setting)
        explained = because(Because.EXPLAINED, inputs.cause.value)
        return replace(transition(alarm, Trigger.EXPLAIN, explained), cause=inputs.cause)
    return alarm if alarm.condition_active else _cleared(alarm, inputs.setting, reason)


def _cleared(alarm: Alarm, setting: AlarmSetting, reason: Reason) -> Alarm:
    """Nothing is left to clear, unless it is active or was so out of view."""
    if alarm.relatch:
        alarm = _raised(alarm, alarm.reason)
    clear = Trigger.CLEAR_LATCHING if setting.latching else Trigger.CLEAR
    return transition(alarm, clear, reason) if (alarm.state, clear) in TABLE else alarm


def _under_cause(context: StepContext, alarm: Alarm, inputs: AlarmContext) -> Alarm:
    """An explained alarm goes with its condition; and once its cause has gone it comes out, if it
    is then active for its on-delay: what it watches needs that time to recover too."""
    (demand, reason), alarm = inputs.condition, _with_cause(alarm, inputs.cause)
    if alarm.cause is None and demand is None:
        demand = True  # as far as anybody knows it is still so, and it must not get lost
    alarm = _after_delay(context, alarm, inputs, demand)
    if alarm.cause is None and alarm.condition_active:
        return _raised(transition(alarm, Trigger.UNSUPPRESS, reason), reason)
    if demand is False and not alarm.condition_active:
        alarm = transition(alarm, Trigger.UNSUPPRESS, reason)
        alone = AlarmContext(inputs.setting, inputs.condition, inputs.suppressed)
        return _in_view(context, alarm, alone) if alarm.relatch else alarm
    return alarm


def _with_cause(alarm: Alarm, cause: AlarmName | None) -> Alarm:
    """Explained by ``cause`` now; without any its on-delay begins anew."""
    if cause is alarm.cause:
        return alarm
    if cause is None:
        return replace(alarm, cause=None, condition_active=False, pending_s=None)
    return replace(alarm, cause=cause, reason=because(Because.EXPLAINED, cause.value))


def _after_delay(
    context: StepContext,
    alarm: Alarm,
    inputs: AlarmContext,
    demand: bool | None,
    *,
    hold: bool = False,
) -> Alarm:
    """The condition after its delay. ``hold``: it may not become active yet, because what would
    explain it is not decided."""
    if demand is None and inputs.held:
        return alarm
    if demand is None or demand is alarm.condition_active:
        return update(alarm, pending_s=None)
    begun_s = context.now_s if alarm.pending_s is None else alarm.pending_s
    pending_s = max(begun_s, inputs.resumed_s)
    delay_s = inputs.setting.on_delay_s if demand else inputs.setting.off_delay_s
    if not context.is_due(pending_s + delay_s) or (hold and demand):
        return replace(alarm, pending_s=pending_s)
    return replace(alarm, pending_s=None, condition_active=demand)


def transition(alarm: Alarm, trigger: Trigger, reason: Reason) -> Alarm:
    """The alarm after a transition of the table; ``KeyError`` where there is none: a bug, since
    whoever calls has made sure of it. Of the rest only what follows the condition is kept."""
    return Alarm(
        alarm.name,
        TABLE[alarm.state, trigger],
        alarm.pending_s,
        reason=reason,
        condition_active=alarm.condition_active,
        relatch=alarm.relatch,
    )


def _raised(alarm: Alarm, reason: Reason) -> Alarm:
    return replace(transition(alarm, Trigger.RAISE, reason), relatch=False)


def _leaving_view(alarm: Alarm, setting: AlarmSetting) -> Alarm:
    """What is latched, or would be once it clears, is to latch again when it comes back."""
    if setting.latching and alarm.state in _HELD_BY_LATCH:
        return replace(alarm, relatch=True)
    return alarm


_HELD_BY_LATCH = (*ACTIVE, AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED)


def _recorded(context: StepContext, alarm: Alarm, setting: AlarmSetting) -> Alarm:
    """Put the alarm's new state on record."""
    context.emit(
        AlarmChanged(
            alarm.name,
            alarm.state,
            setting.priority,
            alarm.reason,
            alarm.by,
            alarm.condition_active,
            alarm.why,
        )
    )
    return replace(alarm, since_utc_s=context.at.utc_s)


def restart(context: StepContext, state: State) -> State:
    """After a restart, one alarm for each setting, in that order: known ones as they were, delays
    begun anew. Shelving goes on for what was left of it, less the downtime where that is known."""
    start = context.restart
    downtime_s = 0.0 if start is None else start.downtime_s or 0.0
    known = {alarm.name: alarm for alarm in state.alarms}
    alarms = []
    for setting in context.setpoints.alarms:
        alarm = known.get(setting.name, Alarm(setting.name))
        until_s = alarm.until_s
        if until_s is not None:
            until_s = context.now_s + max(0.0, until_s - context.last_s - downtime_s)
        alarms.append(replace(alarm, pending_s=None, until_s=until_s))
    return replace(state, alarms=tuple(alarms))


# --- what people do


@record
class _Rule:
    """``done``: the reason the alarm then has, None to keep the one it had; ``refused``: why not,
    where the table knows no such transition."""

    trigger: Trigger
    done: Because | None
    refused: Because
    needs_why: bool = False


_TO_ACKNOWLEDGE = _Rule(Trigger.ACKNOWLEDGE, None, Because.NOTHING_TO_ACKNOWLEDGE)
_RULES = {
    AlarmAction.RESET: _Rule(Trigger.RESET, Because.RESET, Because.NOT_LATCHED),
    AlarmAction.SHELVE: _Rule(Trigger.SHELVE, Because.SHELVED, Because.CANNOT_BE_SHELVED, True),
    AlarmAction.UNSHELVE: _Rule(Trigger.UNSHELVE, Because.UNSHELVED, Because.NOT_SHELVED),
    AlarmAction.OUT_OF_SERVICE: _Rule(
        Trigger.REMOVE, Because.OUT_OF_SERVICE, Because.ALREADY_OUT_OF_SERVICE, True
    ),
    AlarmAction.IN_SERVICE: _Rule(Trigger.RESTORE, Because.IN_SERVICE, Because.NOT_OUT_OF_SERVICE),
}


def handle(
    context: StepContext, alarms: tuple[Alarm, ...], request: Acknowledge | HandleAlarm, by: str
) -> tuple[tuple[Alarm, ...], bool, Reason]:
    """The alarms after a person's request, whether it was accepted, and why."""
    place = next((i for i, alarm in enumerate(alarms) if alarm.name == request.alarm), None)
    if place is None:
        return alarms, False, because(Because.NO_SUCH_ALARM, request.alarm)
    alarm, setting = alarms[place], context.setpoints.alarms[place]
    rule, why, for_s = _TO_ACKNOWLEDGE, "", 0.0
    if isinstance(request, HandleAlarm):
        rule, why, for_s = _RULES[request.action], request.why, request.for_s or 0.0
    refusal = _refusal(context, rule, alarm, setting, why, for_s)
    if refusal is not None:
        return alarms, False, refusal
    if rule.trigger in (Trigger.SHELVE, Trigger.REMOVE):
        alarm = _leaving_view(alarm, setting)
    reason = alarm.reason if rule.done is None else because(rule.done)
    alarm = replace(transition(alarm, rule.trigger, reason), by=by, why=why)
    if rule.trigger is Trigger.SHELVE:
        utc_s = context.at.utc_s
        until_utc_s = None if utc_s is None else utc_s + for_s
        alarm = replace(alarm, until_s=context.now_s + for_s, until_utc_s=until_utc_s)
    changed = _recorded(context, alarm, setting)
    return (*alarms[:place], changed, *alarms[place + 1 :]), True, because(Because.DONE)


def _refusal(
    context: StepContext, rule: _Rule, alarm: Alarm, setting: AlarmSetting, why: str, for_s: float
) -> Reason | None:
    if not setting.enabled:
        return because(Because.ALARM_NOT_USED, alarm.name.value)
    if (alarm.state, rule.trigger) not in TABLE:
        first = rule.trigger is Trigger.RESET and alarm.state is AlarmState.LATCHED_UNACKNOWLEDGED
        return because(Because.ACKNOWLEDGE_FIRST if first else rule.refused, alarm.name.value)
    if rule.needs_why and not why.strip():
        return because(Because.NO_WHY)
    longest_s = context.setpoints.alarm_rules.shelve_max_s
    if rule.trigger is Trigger.SHELVE and not 0 < for_s <= longest_s:
        return because(Because.SHELVE_TIME, shelve_max_s=longest_s)
    return None
