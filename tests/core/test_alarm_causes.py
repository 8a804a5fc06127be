"""One fault makes one alarm: what another alarm explains is hidden, shown as such, never lost."""

from dataclasses import replace

import pytest

from core.driver import (
    ALARM_OFF_S,
    ALARM_ON_S,
    ALL_FITTED,
    HEADER_SCALE,
    LOST,
    Collector,
    answering,
    chosen,
    ready,
    running,
)
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import AlarmChanged
from dustcake.core.inputs import Contacts, FailureKind, Measured, Outcome, ReadFailure, Stamp
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import AlarmAction, HandleAlarm, Mode, RunBlower
from dustcake.core.setpoints import BlowerRequest, Setpoints

FIELDBUS = AlarmName.FIELDBUS_LOST
DP, HEADER = AlarmName.TRANSMITTER_FAULT, AlarmName.HEADER_TRANSMITTER_FAULT
NOT_EFFECTIVE, HEADER_LOW = AlarmName.CLEANING_NOT_EFFECTIVE, AlarmName.HEADER_PRESSURE_LOW
ALL = chosen(header=HEADER_SCALE, fitted=ALL_FITTED)
OFF = chosen(ALL, cleaning={"mode": Mode.OFF})


def delays(base: Setpoints, **on_delay_s: float) -> Setpoints:
    return replace(
        base,
        alarms=tuple(
            replace(s, on_delay_s=on_delay_s.get(s.name.value, s.on_delay_s)) for s in base.alarms
        ),
    )


def raised(collector: Collector) -> list[str]:
    return [b.alarm for b in collector.of(AlarmChanged) if b.state == "unacknowledged"]


def silent(collector: Collector, for_s: float) -> Collector:
    """Nothing can be read."""
    collector.header = LOST
    names = collector.setpoints.fitted.names()
    collector.contacts = replace(collector.contacts, **dict.fromkeys(names))
    return collector.hold(LOST, for_s)


def back(collector: Collector, for_s: float) -> Collector:
    """Everything is read again, and in order."""
    collector.header = Measured(600_000.0)
    in_order = Contacts(True, smoke=False, door_open=False, process_running=True, stop=False)
    collector.contacts = replace(in_order, drum_full=False)
    return collector.hold(800.0, for_s)


def test_a_lost_fieldbus_makes_one_alarm_and_shows_what_it_explains() -> None:
    collector = silent(running(OFF), 60)
    assert raised(collector) == [FIELDBUS]
    assert collector.alarm(FIELDBUS).reason.code is Because.ALL_UNREADABLE
    for name in (DP, HEADER):
        alarm = collector.alarm(name)
        assert (alarm.state, alarm.cause, alarm.condition_active) == (
            "suppressed_by_design",
            FIELDBUS,
            True,
        )
        assert alarm.reason.detail == "fieldbus_lost"
    back(collector, 60)
    assert raised(collector) == [FIELDBUS]
    assert {collector.alarm(name).state for name in (DP, HEADER)} == {"normal"}


def test_what_still_stands_when_the_cause_has_gone_comes_out() -> None:
    collector = silent(running(OFF), 60)
    back(collector, 0)
    collector.header = LOST
    collector.hold(800.0, 20 + ALARM_ON_S + 2)
    assert raised(collector) == [FIELDBUS, HEADER]
    gone_s = collector.alarm_changes(FIELDBUS)[-1][0]
    assert collector.alarm_changes(HEADER)[-1] == (gone_s + ALARM_ON_S, "unacknowledged")


def test_what_stops_before_its_cause_just_goes() -> None:
    collector = silent(running(OFF), 60)
    collector.header = Measured(600_000.0)  # one device answers again: the fieldbus is back
    collector.hold(LOST, 25)
    assert collector.alarm(HEADER).state == "normal"
    assert raised(collector) == [FIELDBUS]
    collector.hold(LOST, 25)
    assert raised(collector) == [FIELDBUS, DP]


@pytest.mark.parametrize("slow", [FIELDBUS, DP])
def test_neither_delay_decides_who_explains_whom(slow: AlarmName) -> None:
    """A consequence whose delay is shorter waits for the cause that may yet explain it."""
    collector = silent(running(delays(OFF, **{slow.value: 40.0})), 90)
    assert raised(collector) == [FIELDBUS]


def test_a_cause_that_goes_within_its_delay_lets_the_consequence_out_at_once() -> None:
    collector = silent(running(delays(OFF, fieldbus_lost=40.0)), 30)
    assert raised(collector) == []
    collector.poll(LOST, smoke=False)
    assert raised(collector) == [HEADER, DP]


def test_a_cause_within_its_delay_does_not_keep_up_what_it_would_explain() -> None:
    collector = running(delays(ALL, drum_full=600.0)).hold(1200.0, 200)
    assert collector.alarm(NOT_EFFECTIVE).state == "unacknowledged"
    collector.poll(700.0, drum_full=True)
    since_s = collector.t
    collector.hold(700.0, 30)
    assert collector.alarm(AlarmName.DRUM_FULL).pending_s == since_s
    assert collector.alarm_changes(NOT_EFFECTIVE)[-1] == (since_s + ALARM_OFF_S, "returned")


def test_one_device_is_not_the_fieldbus() -> None:
    collector = running(OFF).hold(LOST, 60)
    assert raised(collector) == [DP]


def test_dp_alone_cannot_tell_the_fieldbus_from_the_transmitter() -> None:
    assert raised(ready(chosen(cleaning={"mode": Mode.OFF})).hold(LOST, 60)) == [DP]


def test_nothing_read_for_want_of_a_poll_is_not_the_fieldbus() -> None:
    collector = running(OFF).wait(60.0)
    assert raised(collector) == [DP]


def test_a_number_that_is_none_is_not_the_fieldbus() -> None:
    collector = running(OFF)
    collector.header = None
    names = collector.setpoints.fitted.names()
    collector.contacts = replace(collector.contacts, **dict.fromkeys(names))
    collector.hold(Measured(float("nan")), 60)
    assert FIELDBUS not in raised(collector)


def low_air(collector: Collector) -> Collector:
    """Cleaning that reaches its limit of cycles, the header weak from the last pulse on."""
    while len(collector.pulses) < 12:
        collector.poll(1200.0)
    collector.header = Measured(300_000.0)
    return collector.hold(1200.0, 20)


def test_weak_air_explains_cleaning_that_is_not_effective() -> None:
    setpoints = delays(ALL, cleaning_not_effective=0.0, header_pressure_low=0.0)
    collector = low_air(running(setpoints))
    assert raised(collector) == [HEADER_LOW]
    assert collector.alarm(NOT_EFFECTIVE).cause is HEADER_LOW
    collector.header = Measured(600_000.0)
    collector.hold(1200.0, 25)
    assert raised(collector) == [HEADER_LOW, NOT_EFFECTIVE]


def test_an_alarm_already_told_is_not_explained_away() -> None:
    collector = running(ALL).hold(1100.0, 140)
    assert raised(collector) == [NOT_EFFECTIVE]
    collector.header = Measured(300_000.0)
    collector.hold(1100.0, 30)
    assert collector.alarm(NOT_EFFECTIVE).state == "unacknowledged"


def ask(collector: Collector, action: AlarmAction, name: AlarmName) -> None:
    assert collector.ask(HandleAlarm(action, name, "known", 3000.0)).accepted


def test_a_shelved_cause_still_explains() -> None:
    collector = running(OFF)
    ask(collector, AlarmAction.SHELVE, FIELDBUS)
    assert raised(silent(collector, 60)) == []


def test_a_cause_out_of_service_or_not_used_explains_nothing() -> None:
    collector = running(OFF)
    ask(collector, AlarmAction.OUT_OF_SERVICE, FIELDBUS)
    assert raised(silent(collector, 60)) == [HEADER, DP]
    alarms = tuple(replace(s, enabled=s.name is not FIELDBUS) for s in OFF.alarms)
    assert raised(silent(running(replace(OFF, alarms=alarms)), 60)) == [HEADER, DP]


def test_a_cause_that_is_not_used_explains_nothing() -> None:
    alarms = tuple(replace(s, enabled=s.name is not FIELDBUS) for s in OFF.alarms)
    assert raised(silent(running(replace(OFF, alarms=alarms)), 60)) == [HEADER, DP]


def test_the_next_cause_takes_over_when_the_first_goes() -> None:
    """The air was weak; meanwhile a valve has got stuck."""
    setpoints = delays(ALL, cleaning_not_effective=0.0, header_pressure_low=0.0)
    collector = low_air(running(setpoints))
    collector.outcome = answering(AllValvesOff=Outcome.STUCK_ON)
    collector.restart()
    collector.hold(1300.0, 20)
    # Named first in the declaration, so it is the one to act on.
    assert collector.alarm(NOT_EFFECTIVE).cause is AlarmName.VALVE_STUCK_OPEN
    collector.outcome = answering()
    collector.hold(1300.0, 60)
    assert collector.alarm(AlarmName.VALVE_STUCK_OPEN).state == "returned"
    assert collector.alarm(NOT_EFFECTIVE).cause is HEADER_LOW
    assert NOT_EFFECTIVE not in raised(collector)


def test_it_stays_explained_through_a_restart_and_is_not_lost_while_nobody_knows() -> None:
    collector = silent(running(OFF), 60)
    collector.restart()
    silent(collector, 60)
    assert raised(collector) == [FIELDBUS]
    assert collector.alarm(DP).cause is FIELDBUS
    # The bus is back, but the header has not been read yet: its fault is taken to stand.
    back(collector, 0)
    collector.header = None
    collector.hold(800.0, 40)
    assert raised(collector) == [FIELDBUS, HEADER]


def test_a_latch_is_not_lost_to_an_explanation() -> None:
    alarms = tuple(replace(s, latching=s.name is HEADER) for s in OFF.alarms)
    collector = running(replace(OFF, alarms=alarms))
    collector.header = LOST
    collector.hold(800.0, 15)
    back(collector, 25)
    assert collector.alarm(HEADER).state == "latched_unacknowledged"
    silent(collector, 30)
    assert collector.alarm(HEADER).cause is FIELDBUS
    back(collector, 60)
    assert collector.alarm(HEADER).state == "latched_unacknowledged"


def test_suppression_by_design_goes_before_an_explanation() -> None:
    stuck = answering(AllValvesOff=Outcome.STUCK_ON)
    collector = running(OFF)
    collector.outcome = stuck
    collector.restart()
    collector.header = Measured(0.0)
    collector.hold(800.0, 30)
    assert collector.alarm(HEADER_LOW).cause is AlarmName.VALVE_STUCK_OPEN
    collector.hold(0.0, 30, blower_running=False)
    assert collector.alarm(HEADER_LOW).reason.code is Because.BLOWER_OFF
    collector.hold(800.0, 30, blower_running=True)
    assert collector.alarm(HEADER_LOW).cause is AlarmName.VALVE_STUCK_OPEN


# --- the alarms that came with it


def test_cleaning_too_frequent() -> None:
    """Three runs in a row, each within a minute of the one before; over after a minute's rest."""
    name = AlarmName.CLEANING_TOO_FREQUENT
    collector = ready(delays(chosen(), cleaning_too_frequent=0.0))

    def run() -> None:
        collector.hold(1100.0, 3)
        collector.hold(700.0, 30)

    run()
    for _ in range(2):
        run()
    assert name not in raised(collector)
    run()
    assert raised(collector) == [name]
    assert dict(collector.alarm(name).reason.values) == {"runs": 3, "gap_s": 60.0}
    collector.restart()
    collector.hold(700.0, 50)
    assert collector.alarm(name).condition_active
    collector.hold(700.0, 40)
    assert not collector.alarm(name).condition_active
    run()
    assert collector.state.cleaning_pace.short == 0


def test_runs_that_begin_where_the_last_one_ended_are_too_frequent() -> None:
    name = AlarmName.CLEANING_TOO_FREQUENT
    finishes = chosen(cleaning={"finish_cycle": True})
    collector = ready(delays(finishes, cleaning_too_frequent=0.0)).hold(1100.0, 5)
    for begun in range(4):
        assert (name in raised(collector)) is (begun == 3)
        assert collector.state.cleaning_pace.short == begun
        collector.poll(700.0)
        collector.hold(1100.0, 40)


def test_runs_with_rests_between_them_are_not_too_frequent() -> None:
    collector = ready()
    for _ in range(6):
        collector.hold(1100.0, 3)
        collector.hold(700.0, 90)
    collector.restart()
    assert collector.state.cleaning_pace.ended_s is None
    assert raised(collector) == []


@pytest.mark.parametrize(
    ("why", "changes", "expected"),
    [
        ("the process runs and the blower does not", {}, True),
        ("nothing asks for it", {"process_running": False}, False),
        ("nobody knows whether it runs", {"blower_running": None}, False),
        ("smoke: it is meant to stand still", {"smoke": True}, False),
        ("the stop input: the same", {"stop": True}, False),
        ("it runs", {"blower_running": True}, False),
    ],
)
def test_blower_not_proved(why: str, changes: dict[str, bool | None], expected: bool) -> None:
    collector = running(OFF).hold(800.0, 2)
    collector.contacts = replace(collector.contacts, **{"blower_running": False, **changes})
    collector.hold(0.0, 30)
    assert (AlarmName.BLOWER_NOT_PROVED in raised(collector)) is expected, why


def test_a_blower_told_to_run_that_does_not() -> None:
    setpoints = chosen(OFF, blower={"request": BlowerRequest.HAND})
    collector = running(setpoints, process_running=False).hold(0.0, 5, blower_running=False)
    assert collector.ask(RunBlower(True)).accepted
    collector.hold(0.0, 15)
    assert raised(collector) == [AlarmName.BLOWER_NOT_PROVED]
    collector.hold(800.0, 25, blower_running=True)
    assert collector.alarm(AlarmName.BLOWER_NOT_PROVED).state == "returned"


def test_a_full_drum() -> None:
    collector = running(OFF).hold(800.0, 15, drum_full=True)
    assert raised(collector) == [AlarmName.DRUM_FULL]
    collector.hold(800.0, 60, drum_full=None)
    assert collector.alarm(AlarmName.DRUM_FULL).state == "unacknowledged"
    collector.hold(800.0, 25, drum_full=False)
    assert collector.alarm(AlarmName.DRUM_FULL).state == "returned"


class Unset(Collector):
    """A computer whose clock is set only after a while."""

    set_s = 100.0

    @property
    def now(self) -> Stamp:
        at = super().now
        return at if at.mono_s >= self.set_s else replace(at, utc_s=None)


def test_a_clock_that_is_not_set_is_told_and_noticed_when_it_is() -> None:
    """Also in quiet times, where nothing else would make the core look."""
    name = AlarmName.CLOCK_NOT_SET
    collector = Unset(chosen(cleaning={"mode": Mode.OFF})).hold(800.0, 50)
    assert raised(collector) == [name]
    assert collector.last.state.quiet is not None
    collector.hold(800.0, 75)
    assert [t for t, _ in collector.alarm_changes(name)] == [ALARM_ON_S, 120.0]


def test_a_failure_names_the_device() -> None:
    collector = running(OFF)
    collector.header = LOST
    names = collector.setpoints.fitted.names()
    collector.contacts = replace(collector.contacts, **dict.fromkeys(names))
    collector.hold(ReadFailure(FailureKind.UNREACHABLE, "bus hall: no route"), 30)
    assert "bus hall" in collector.alarm(FIELDBUS).reason.detail
