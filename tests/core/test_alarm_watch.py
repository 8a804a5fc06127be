"""Alarms that watch nothing a step has changed are left alone, and nobody can tell."""

from collections import Counter

import pytest
from hypothesis import given

from core.traces import Script, Taken, again, play, scripts, setpoints
from dustcake.core.alarms import conditions as alarm_conditions
from dustcake.core.alarms.watch import WATCHED, touched
from dustcake.core.setpoints import AlarmName, Setpoints
from dustcake.core.state import State
from dustcake.core.step import step
from examples import explore

EVERY = frozenset(AlarmName)
SELDOM = {
    AlarmName.FIELDBUS_LOST,
    AlarmName.HEADER_NOT_RECOVERING,
    AlarmName.ROW_NOT_RECOVERING,
    AlarmName.VALVE_DOES_NOT_FIRE,
    AlarmName.ZERO_DRIFT,
}
"""It takes many pulses, or much to go wrong at once; they have tests of their own."""


def everything(_before: State, _state: State) -> tuple[AlarmName, ...]:
    return tuple(AlarmName)


def moved(taken: Taken) -> set[AlarmName]:
    """The alarms that this step has set going, where only what they watch could tell of it."""
    unsettled, before = taken.before.unsettled, taken.before.alarms
    if unsettled is None or taken.before.answers != taken.after.state.answers:
        return set()
    pairs = zip(before, taken.after.state.alarms, strict=True)
    return {was.name for was, now in pairs if was != now and was.name not in unsettled}


def test_every_step_comes_to_the_same_as_if_all_alarms_were_looked_at() -> None:
    seen: Counter[AlarmName | str] = Counter()

    @given(scripts(), setpoints())
    def every_history(script: Script, chosen: Setpoints) -> None:
        history = play(script, chosen)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(alarm_conditions, "touched", everything)
            thorough = again(history, step)
        for taken, all_looked_at in zip(history, thorough, strict=True):
            assert taken.after == all_looked_at
            seen["left alone"] += len(EVERY.difference(touched(taken.before, taken.after.state)))
            seen.update(moved(taken))

    explore(
        every_history, 200, seen, {"left alone": 10_000} | dict.fromkeys(WATCHED.keys() - SELDOM, 1)
    )
