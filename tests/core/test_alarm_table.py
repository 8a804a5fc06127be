"""The transition table of alarms, cell by cell, written down a second time by hand."""

import pytest

from dustcake.core.alarms.catalogue import CATALOGUE, CAUSES, CAUSES_FIRST, EXPLAINS
from dustcake.core.alarms.life import transition
from dustcake.core.alarms.names import TABLE, Alarm, AlarmName, AlarmState, Trigger
from dustcake.core.inputs import CALLED
from dustcake.core.reasons import Because, because

LETTERS = dict(zip("ABCDEFGHI", AlarmState, strict=True))
COLUMNS = (
    Trigger.RAISE,
    Trigger.CLEAR,
    Trigger.CLEAR_LATCHING,
    Trigger.ACKNOWLEDGE,
    Trigger.RESET,
    Trigger.SHELVE,
    Trigger.UNSHELVE,
    Trigger.SUPPRESS,
    Trigger.EXPLAIN,
    Trigger.UNSUPPRESS,
    Trigger.REMOVE,
    Trigger.RESTORE,
    Trigger.DISABLE,
)
# ISA-18.2-2016 / IEC 62682:2022, from memory; EXPLAIN and DISABLE, and what shelved, suppressed and
# out-of-service alarms do among each other, are ours. A point: no such transition.
# raise clear latching ack reset / shelve un- / suppress explain un- / remove restore / disable
CELLS = """
A   B . . . .   G .   H H .   I .   .
B   . D E C .   G .   H . .   I .   A
C   . A F . .   G .   H . .   I .   A
D   B . . A .   G .   H H .   I .   A
E   B . . F .   G .   H H .   I .   A
F   B . . . A   G .   H H .   I .   A
G   . . . . .   G A   . . .   I .   A
H   . . . . .   G .   H . A   I .   A
I   . . . . .   . .   . . .   . A   A
"""
EXPECTED = {
    (LETTERS[row[0]], trigger): LETTERS.get(cell)
    for row in (line.split() for line in CELLS.strip().splitlines())
    for trigger, cell in zip(COLUMNS, row[1:], strict=True)
}


def test_every_cell_is_judged() -> None:
    assert len(EXPECTED) == len(AlarmState) * len(Trigger)
    assert set(COLUMNS) == set(Trigger)


@pytest.mark.parametrize(("state", "trigger"), EXPECTED, ids=lambda each: each.value)
def test_a_cell(state: AlarmState, trigger: Trigger) -> None:
    """Those that are there lead where they should; the others are refused by whoever walks."""
    alarm, expected = Alarm(AlarmName.SMOKE, state, by="x", why="y"), EXPECTED[state, trigger]
    assert TABLE.get((state, trigger)) is expected
    if expected is None:
        with pytest.raises(KeyError):
            transition(alarm, trigger, because(Because.SMOKE))
    else:
        after = transition(alarm, trigger, because(Because.SMOKE))
        assert (after.state, after.by, after.why) == (expected, "", "")


def test_every_state_is_reached_and_left() -> None:
    assert set(TABLE.values()) == set(AlarmState)
    assert {state for state, _ in TABLE} == set(AlarmState)


def test_every_alarm_has_one_entry_that_holds_together() -> None:
    assert list(CATALOGUE) == list(AlarmName)
    for name, entry in CATALOGUE.items():
        assert entry.name is name
        assert set(entry.rests_on) <= set(CALLED)
        assert entry.on_delay_s >= 0.0 <= entry.off_delay_s


def test_causes_are_named_in_the_order_that_is_written_down() -> None:
    first, *others = CAUSES[AlarmName.CLEANING_NOT_EFFECTIVE]
    assert first is AlarmName.SENSING_LINE_SUSPECT
    assert others[0] is AlarmName.VALVE_STUCK_OPEN
    assert others[-1] is AlarmName.FILTER_REPLACEMENT


def test_causes_come_before_what_they_explain_and_nothing_explains_itself() -> None:
    assert sorted(CAUSES_FIRST) == sorted(AlarmName)
    for cause, explained in EXPLAINS.items():
        for name in explained:
            assert CAUSES_FIRST.index(cause) < CAUSES_FIRST.index(name)
            assert cause in CAUSES[name]
