"""Whatever a collector lives through, its alarms go by the table and keep their own rules."""

from collections import Counter

from hypothesis import given

from core.traces import Script, Taken, play, scripts, setpoints
from dustcake.core.alarms.names import ACTIVE, IN_VIEW, TABLE, Alarm, AlarmState
from dustcake.core.events import AlarmChanged
from dustcake.core.inputs import OperatorRequested
from dustcake.core.requests.kinds import AlarmAction, HandleAlarm
from dustcake.core.setpoints import Setpoints
from examples import explore

ONE_STEP = {(state, to) for (state, _), to in TABLE.items()}


def ways(most: int) -> set[tuple[AlarmState, AlarmState]]:
    """From where to where so many transitions lead at most."""
    found = set(ONE_STEP)
    for _ in range(most - 1):
        found |= {(a, d) for a, b in found for c, d in ONE_STEP if b is c}
    return found


IN_THREE = ways(3)


def check(taken: Taken, seen: Counter[str]) -> None:
    after, told = taken.after.state, [e.body for e in taken.after.events]
    settings_of = {s.name: s for s in taken.setpoints.alarms}
    before = {alarm.name: alarm for alarm in taken.before.alarms}
    changed = Counter(body.alarm for body in told if isinstance(body, AlarmChanged))
    for alarm in after.alarms:
        keeps_its_rules(alarm, after.deadline_s)
        was = before.get(alarm.name, Alarm(alarm.name))
        if was.state is not alarm.state:
            seen[alarm.state] += 1
            assert (was.state, alarm.state) in IN_THREE, f"{was.state} -> {alarm.state}"
            last = [b for b in told if isinstance(b, AlarmChanged) and b.alarm == alarm.name][-1]
            assert (last.state, last.active) == (alarm.state, alarm.condition_active), (
                "told as it is"
            )
            assert alarm.since_utc_s == taken.happened.at.utc_s
        assert changed[alarm.name] <= 2, "one for what was asked, one for what follows"
        if not settings_of[alarm.name].enabled:
            assert alarm.state is AlarmState.NORMAL
        if alarm.state in (AlarmState.LATCHED, AlarmState.LATCHED_UNACKNOWLEDGED):
            seen["latched"] += was.state is not alarm.state
        by_hand(was, alarm, taken)


def keeps_its_rules(alarm: Alarm, deadline_s: float | None) -> None:
    if alarm.state in IN_VIEW:
        assert alarm.condition_active is (alarm.state in ACTIVE)
        assert not alarm.relatch
    assert (alarm.until_s is not None) is (alarm.state is AlarmState.SHELVED)
    if alarm.until_s is not None:
        assert deadline_s is not None, "it will be woken to end"
        assert deadline_s <= alarm.until_s
    if alarm.cause is not None:
        assert alarm.explained
    if alarm.state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE):
        assert alarm.by
        assert alarm.why


def by_hand(was: Alarm, alarm: Alarm, taken: Taken) -> None:
    """Only a person puts an alarm out of view for good, and only one puts it back."""
    happened = taken.happened
    asked = happened.request if isinstance(happened, OperatorRequested) else None
    action = asked.action if isinstance(asked, HandleAlarm) and asked.alarm == alarm.name else None
    if alarm.state is AlarmState.OUT_OF_SERVICE is not was.state:
        assert action is AlarmAction.OUT_OF_SERVICE
    if was.state is AlarmState.OUT_OF_SERVICE is not alarm.state:
        used = next(s for s in taken.setpoints.alarms if s.name is alarm.name).enabled
        assert action is AlarmAction.IN_SERVICE or not used
    if alarm.state is AlarmState.SHELVED is not was.state:
        assert action is AlarmAction.SHELVE


def test_alarms_keep_their_rules_in_every_history() -> None:
    seen: Counter[str] = Counter()

    @given(scripts(), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        for taken in play(script, chosen):
            check(taken, seen)

    explore(every_history, 150, seen, AlarmState)
