"""The life of an alarm: delays, acknowledgement, and who did what to it.

States follow alarm management practice (ISA-18.2 / IEC 62682; names here are plain words for its
normal, unacknowledged, acknowledged, and returned-to-normal unacknowledged). A condition is True
(raise), False (clear) or None: inside the deadband, or not to be judged now; None changes nothing
and starts a delay anew, since a limit must be passed for the whole of it (as OPC UA Part 9 has it
for on-delay, off-delay and deadband).
"""

from dataclasses import replace
from enum import StrEnum

from dustcake.core.events import AlarmChanged
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.setpoints import AlarmName, AlarmSetting
from dustcake.core.turn import Turn


class AlarmState(StrEnum):
    """State of an alarm."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"  # active, and nobody has said they know
    ACKNOWLEDGED = "acknowledged"  # active, and somebody knows
    RETURNED = "returned"  # no longer active, but nobody has said they knew


ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@record
class Alarm:
    """One alarm. ``pending_s``: since when its condition has called for the other state.
    ``since_utc_s``: when it entered ``state``, None where the clock was not known."""

    name: AlarmName
    state: AlarmState = AlarmState.NORMAL
    pending_s: float | None = None
    since_utc_s: float | None = None
    reason: Reason = Reason(Because.RESTARTED)
    by: str = ""


Condition = tuple[bool | None, Reason]


def aligned(alarms: tuple[Alarm, ...], settings: tuple[AlarmSetting, ...]) -> tuple[Alarm, ...]:
    """One alarm for each setting, in that order: known ones as they were, delays begun anew."""
    known = {alarm.name: replace(alarm, pending_s=None) for alarm in alarms}
    return tuple(known.get(setting.name, Alarm(setting.name)) for setting in settings)


def judge(turn: Turn, alarm: Alarm, setting: AlarmSetting, condition: Condition) -> Alarm:
    """Follow the condition, after its delay."""
    calls, reason = condition
    active = alarm.state in ACTIVE
    if not setting.enabled:
        calls = False
    if calls is None or calls is active:
        return alarm if alarm.pending_s is None else replace(alarm, pending_s=None)
    pending_s = turn.now_s if alarm.pending_s is None else alarm.pending_s
    delay_s = setting.on_delay_s if calls else setting.off_delay_s
    due_s = pending_s + (delay_s if setting.enabled else 0.0)
    if turn.now_s < due_s:
        turn.by(due_s)
        return replace(alarm, pending_s=pending_s)
    if calls:
        return _enter(turn, alarm, setting, AlarmState.UNACKNOWLEDGED, reason)
    gone = alarm.state is AlarmState.ACKNOWLEDGED or not setting.enabled
    state = AlarmState.NORMAL if gone else AlarmState.RETURNED
    return _enter(turn, alarm, setting, state, reason)


def acknowledge(
    turn: Turn, alarms: tuple[Alarm, ...], name: str, by: str
) -> tuple[tuple[Alarm, ...], bool, Reason]:
    """Acknowledge one alarm: the alarms after it, whether it was accepted, and why."""
    for i, (alarm, setting) in enumerate(zip(alarms, turn.setpoints.alarms, strict=True)):
        if alarm.name != name:
            continue
        if alarm.state is AlarmState.UNACKNOWLEDGED:
            state = AlarmState.ACKNOWLEDGED
        elif alarm.state is AlarmState.RETURNED:
            state = AlarmState.NORMAL
        else:
            return alarms, False, because(Because.NOTHING_TO_ACKNOWLEDGE, name)
        changed = _enter(turn, alarm, setting, state, alarm.reason, by, keep=alarm.pending_s)
        return (*alarms[:i], changed, *alarms[i + 1 :]), True, because(Because.DONE)
    return alarms, False, because(Because.NO_SUCH_ALARM, name)


def _enter(
    turn: Turn,
    alarm: Alarm,
    setting: AlarmSetting,
    state: AlarmState,
    reason: Reason,
    by: str = "",
    keep: float | None = None,
) -> Alarm:
    turn.emit(AlarmChanged(alarm.name, state, setting.priority, reason, by))
    return Alarm(alarm.name, state, keep, turn.at.utc_s, reason, by)
