"""The whole life of an alarm: latching, shelving, suppression, service, and what survives what."""

from dataclasses import replace
from typing import Any

import pytest

from core.driver import (
    ALARM_OFF_S,
    ALARM_ON_S,
    BASE,
    LOST,
    Collector,
    chosen,
    ready,
    running,
    with_header,
)
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import AlarmChanged
from dustcake.core.inputs import Measured
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Acknowledge, AlarmAction, HandleAlarm, Mode, SetZero
from dustcake.core.setpoints import Setpoints

OFF = chosen(cleaning={"mode": Mode.OFF})  # nothing but alarms happens
HIGH = AlarmName.HIGH_DP  # at or above 1500 Pa; clears below 1500 - 60 Pa


def latching(base: Setpoints = OFF, name: AlarmName = HIGH) -> Setpoints:
    settings = tuple(replace(s, latching=s.name is name) for s in base.alarms)
    return replace(base, alarms=settings)


def states(collector: Collector, name: AlarmName = HIGH) -> list[str]:
    return [state for _, state in collector.alarm_changes(name)]


def do(
    collector: Collector,
    action: AlarmAction,
    *,
    name: str = HIGH,
    why: str = "",
    for_s: float | None = None,
    by: str = "day shift",
) -> Because:
    return collector.ask(HandleAlarm(action, name, why, for_s), by=by).reason.code


def shelve(collector: Collector, for_s: float | None = 600.0, why: str = "trial") -> Because:
    return do(collector, AlarmAction.SHELVE, why=why, for_s=for_s)


def remove(collector: Collector, why: str = "sensor away") -> Because:
    return do(collector, AlarmAction.OUT_OF_SERVICE, why=why)


def ack(collector: Collector) -> Because:
    return collector.ask(Acknowledge(HIGH)).reason.code


# --- latching


def test_a_latching_alarm_stays_until_acknowledged_and_reset() -> None:
    collector = ready(latching()).hold(1600.0, 15).hold(1000.0, 25)
    assert do(collector, AlarmAction.RESET) is Because.ACKNOWLEDGE_FIRST
    assert ack(collector) is Because.DONE
    assert do(collector, AlarmAction.RESET, why="looked", by="night shift") is Because.DONE
    assert states(collector) == ["unacknowledged", "latched_unacknowledged", "latched", "normal"]
    assert (collector.alarm(HIGH).by, collector.alarm(HIGH).why) == ("night shift", "looked")


@pytest.mark.parametrize("acknowledged", [False, True])
def test_a_latched_alarm_is_raised_again(acknowledged: bool) -> None:
    collector = ready(latching()).hold(1600.0, 15).hold(1000.0, 25)
    if acknowledged:
        ack(collector)
    collector.hold(1600.0, 15)
    assert states(collector)[-1] == "unacknowledged"


def test_acknowledged_while_active_it_latches_and_waits_for_its_reset() -> None:
    collector = ready(latching()).hold(1600.0, 15)
    ack(collector)
    collector.hold(1000.0, 500)
    collector.restart()
    collector.hold(1000.0, 500)
    assert states(collector) == ["unacknowledged", "acknowledged", "latched"]


def test_there_is_nothing_to_reset() -> None:
    collector = ready(latching())
    assert do(collector, AlarmAction.RESET) is Because.NOT_LATCHED
    collector.hold(1600.0, 15)
    assert do(collector, AlarmAction.RESET) is Because.NOT_LATCHED
    assert states(collector) == ["unacknowledged"]


@pytest.mark.parametrize("away", [shelve, remove])
@pytest.mark.parametrize("before", [[1600.0] * 15, [1600.0] * 15 + [1000.0] * 25, []])
def test_a_latch_is_not_lost_out_of_view(away: Any, before: list[float]) -> None:
    """Whether it was active before, latched before, or active only meanwhile."""
    collector = ready(latching())
    for dp in before:
        collector.poll(dp)
    assert away(collector) is Because.DONE
    collector.hold(1600.0, 15).hold(1000.0, 25)
    back = AlarmAction.UNSHELVE if away is shelve else AlarmAction.IN_SERVICE
    do(collector, back)
    assert states(collector)[-2:] == ["normal", "latched_unacknowledged"]


# --- shelving


def test_shelved_for_its_time_then_it_comes_back_by_itself() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    assert shelve(collector, 100.0) is Because.DONE
    shelved_s = collector.t
    alarm = collector.alarm(HIGH)
    assert (alarm.by, alarm.why, alarm.condition_active) == ("day shift", "trial", True)
    collector.hold(1600.0, 150)
    assert collector.alarm_changes(HIGH)[1:] == [
        (shelved_s, "shelved"),
        (shelved_s + 100.0, "unacknowledged"),
    ]


def test_shelved_and_gone_meanwhile_it_is_normal_afterwards_and_the_record_has_it() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    shelve(collector, 100.0)
    collector.hold(1000.0, 150)
    assert states(collector) == ["unacknowledged", "shelved", "shelved", "normal"]
    assert [each.active for each in collector.of(AlarmChanged)] == [True, True, False, False]
    assert collector.alarm(HIGH).reason.code is Because.SHELVING_OVER


def test_unshelved_by_hand_and_by_whom() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    shelve(collector)
    assert do(collector, AlarmAction.UNSHELVE, by="night shift") is Because.DONE
    assert states(collector)[-2:] == ["normal", "unacknowledged"]
    unshelved = collector.of(AlarmChanged)[-2]
    assert (unshelved.by, unshelved.reason.code) == ("night shift", Because.UNSHELVED)


def test_shelved_again_the_time_runs_from_then() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    shelve(collector, 100.0)
    collector.hold(1600.0, 50)
    assert shelve(collector, 100.0) is Because.DONE
    again_s = collector.t
    collector.hold(1600.0, 150)
    assert collector.alarm_changes(HIGH)[-1] == (again_s + 100.0, "unacknowledged")


@pytest.mark.parametrize(
    ("for_s", "why", "because"),
    [
        (None, "trial", Because.SHELVE_TIME),
        (0.0, "trial", Because.SHELVE_TIME),
        (-5.0, "trial", Because.SHELVE_TIME),
        (3600.1, "trial", Because.SHELVE_TIME),
        (3600.0, " ", Because.NO_WHY),
        (3600.0, "trial", Because.DONE),
    ],
)
def test_shelving_needs_a_bounded_time_and_a_reason(
    for_s: float | None, why: str, because: Because
) -> None:
    assert shelve(ready(OFF), for_s, why) is because


def test_there_is_nothing_to_unshelve() -> None:
    assert do(ready(OFF), AlarmAction.UNSHELVE) is Because.NOT_SHELVED


@pytest.mark.parametrize(("downtime_s", "left_s"), [(30.0, 20.0), (None, 50.0), (3600.0, 0.0)])
def test_shelving_goes_on_through_a_restart_and_ends_in_time(
    downtime_s: float | None, left_s: float
) -> None:
    """Down for an unknown time, it is taken to have been down for none."""
    collector = ready(OFF)
    shelve(collector, 100.0)
    collector.hold(800.0, 50)
    n = len(collector.log)
    collector.restart(downtime_s=downtime_s)
    collector.hold(800.0, 60)
    ends = [e.at.mono_s for e in collector.log[n:] if isinstance(e.body, AlarmChanged)]
    assert ends == [left_s]
    assert states(collector) == ["shelved", "normal"]


# --- out of service


def test_out_of_service_it_says_nothing_until_it_is_put_back() -> None:
    collector = ready(OFF)
    assert remove(collector) is Because.DONE
    collector.hold(1600.0, 400).restart()
    collector.hold(1600.0, 400)
    alarm = collector.alarm(HIGH)
    assert (alarm.by, alarm.why, alarm.condition_active) == ("day shift", "sensor away", True)
    assert do(collector, AlarmAction.IN_SERVICE, why="mended") is Because.DONE
    assert states(collector) == ["out_of_service", "out_of_service", "normal", "unacknowledged"]


def test_out_of_service_needs_a_reason_and_is_left_by_putting_back_only() -> None:
    collector = ready(OFF)
    assert remove(collector, why="") is Because.NO_WHY
    assert do(collector, AlarmAction.IN_SERVICE) is Because.NOT_OUT_OF_SERVICE
    assert remove(collector) is Because.DONE
    assert remove(collector) is Because.ALREADY_OUT_OF_SERVICE
    assert shelve(collector) is Because.CANNOT_BE_SHELVED
    assert ack(collector) is Because.NOTHING_TO_ACKNOWLEDGE
    assert states(collector) == ["out_of_service"]


def test_a_shelved_alarm_can_be_taken_out_and_its_time_then_means_nothing() -> None:
    collector = ready(OFF)
    shelve(collector, 100.0)
    remove(collector)
    collector.hold(800.0, 200)
    assert states(collector) == ["shelved", "out_of_service"]


def test_an_alarm_that_is_not_used_or_not_known_is_not_handled() -> None:
    settings = tuple(replace(s, enabled=False) for s in OFF.alarms)
    collector = ready(replace(OFF, alarms=settings))
    assert shelve(collector) is Because.ALARM_NOT_USED
    assert do(collector, AlarmAction.RESET, name="coffee_cold") is Because.NO_SUCH_ALARM


def test_an_alarm_no_longer_used_is_normal_wherever_it_was() -> None:
    settings = tuple(replace(s, enabled=False) for s in OFF.alarms)
    collector = ready(OFF)
    remove(collector)
    collector.restart(settings=replace(OFF, alarms=settings))
    assert states(collector) == ["out_of_service", "normal"]
    assert collector.alarm(HIGH).reason.code is Because.NOT_USED


# --- suppression by design

LOW = AlarmName.LOW_DP  # at or below 75 Pa; not before the blower has run for 60 s


def test_low_dp_means_nothing_with_the_blower_off_or_just_started() -> None:
    collector = running(OFF).hold(10.0, 90)
    assert states(collector, LOW)[-1] == "unacknowledged"
    n = len(states(collector, LOW))
    collector.hold(0.0, 60, blower_running=False)
    assert collector.alarm(LOW).reason.code is Because.BLOWER_OFF
    collector.poll(10.0, blower_running=True)
    started_s = collector.t
    collector.hold(10.0, 1)
    assert states(collector, LOW)[n:] == ["suppressed_by_design"]
    collector.hold(10.0, 90)
    assert collector.alarm_changes(LOW)[n + 1 :] == [
        (started_s + 60.0, "normal"),
        (started_s + 60.0 + ALARM_ON_S, "unacknowledged"),
    ]


def test_what_is_not_known_leaves_it_suppressed() -> None:
    collector = running(OFF).hold(0.0, 30, blower_running=False)
    before = states(collector, LOW)
    collector.hold(0.0, 30, blower_running=None)
    collector.restart()
    collector.hold(0.0, 30, blower_running=False)
    assert states(collector, LOW) == before
    assert before[-1] == "suppressed_by_design"


def test_high_dp_is_not_judged_while_the_zero_is_taken() -> None:
    setpoints = chosen(OFF, zeroing={"average_s": 60.0})
    collector = ready(setpoints).hold(0.0, 5)
    assert collector.ask(SetZero(blower_off_confirmed=True)).accepted
    collector.hold(0.0, 30)
    assert collector.alarm(HIGH).reason.code is Because.ZEROING
    collector.hold(0.0, 60)
    assert states(collector) == ["suppressed_by_design", "normal"]


HEADER_LOW = AlarmName.HEADER_PRESSURE_LOW


def test_header_pressure_is_not_missed_while_nothing_is_to_be_pulsed() -> None:
    collector = running(with_header()).hold(800.0, 5)
    collector.header = Measured(0.0)
    collector.hold(0.0, 60, blower_running=False)
    assert states(collector, HEADER_LOW) == ["suppressed_by_design"]
    collector.poll(800.0, blower_running=True)
    since_s = collector.t
    collector.hold(800.0, 30)
    assert collector.alarm_changes(HEADER_LOW)[1:] == [
        (since_s, "normal"),
        (since_s + ALARM_ON_S, "unacknowledged"),
    ]


def test_header_pressure_is_missed_by_downtime_cleaning() -> None:
    cleaning = {"downtime": True, "downtime_min_run_s": 5.0}
    collector = running(with_header(cleaning=cleaning)).hold(800.0, 20)
    collector.header = Measured(0.0)
    collector.hold(0.0, 60, blower_running=False)
    assert states(collector, HEADER_LOW) == ["unacknowledged"]


def test_a_shelved_alarm_is_not_suppressed_until_it_is_unshelved() -> None:
    collector = running(OFF)
    name = LOW.value
    do(collector, AlarmAction.SHELVE, name=name, why="filters out", for_s=50.0)
    collector.hold(0.0, 100, blower_running=False)
    assert states(collector, LOW)[-2:] == ["shelved", "suppressed_by_design"]


def test_a_suppressed_alarm_may_be_shelved() -> None:
    collector = running(OFF).hold(0.0, 30, blower_running=False)
    assert do(collector, AlarmAction.SHELVE, name=LOW, why="x", for_s=50.0) is Because.DONE


def test_the_delays_are_those_of_the_test_bench() -> None:
    assert {(s.on_delay_s, s.off_delay_s) for s in BASE.alarms} == {(ALARM_ON_S, ALARM_OFF_S)}
    assert ready(OFF).hold(LOST, 3).state.sample.usable_pa is None
