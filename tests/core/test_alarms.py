"""The life of an alarm, and what each alarm watches."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from core.driver import (
    ALARM_OFF_S,
    ALARM_ON_S,
    ALL_FITTED,
    BASE,
    HEADER_SCALE,
    LOST,
    Collector,
    answering,
    chosen,
    ready,
    running,
)
from dustcake.core.alarms.names import AlarmName, AlarmState
from dustcake.core.events import AlarmChanged
from dustcake.core.inputs import Measured, Outcome
from dustcake.core.reasons import Because
from dustcake.core.reasons import because as told_because
from dustcake.core.requests.kinds import Acknowledge, Mode
from dustcake.core.setpoints import Setpoints

OFF = chosen(cleaning={"mode": Mode.OFF})  # nothing but alarms happens
HIGH = AlarmName.HIGH_DP  # at or above 1500 Pa; clears below 1500 - 60 Pa


def states(collector: Collector, name: AlarmName = HIGH) -> list[str]:
    return [state for _, state in collector.alarm_changes(name)]


def with_alarm(name: AlarmName, base: Setpoints = OFF, **changes: Any) -> Setpoints:
    """Set points with one alarm's setting changed."""
    settings = tuple(replace(s, **changes) if s.name is name else s for s in base.alarms)
    return replace(base, alarms=settings)


# --- delays and deadband, as OPC UA Part 9 describes them


def test_on_delay_to_the_second() -> None:
    collector = ready(OFF)
    collector.poll(1500.0)
    since_s = collector.t
    collector.hold(1500.0, 30)
    assert collector.alarm_changes(HIGH) == [(since_s + ALARM_ON_S, "unacknowledged")]


def test_off_delay_to_the_second() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    collector.poll(1439.9)
    since_s = collector.t
    collector.hold(1439.9, 30)
    assert collector.alarm_changes(HIGH)[1:] == [(since_s + ALARM_OFF_S, "returned")]


@pytest.mark.parametrize(
    ("why", "dp", "expected"),
    [
        ("9 s above, a dip below the limit, 9 s above", [1600] * 9 + [1490] + [1600] * 9, []),
        ("the same with a dip below the deadband", [1600] * 9 + [900] + [1600] * 9, []),
        ("the same with a lost poll", [1600] * 9 + [LOST] + [1600], ["unacknowledged"]),
        ("not while it is not known", [1600] * 9 + [LOST] * 4, []),
        ("with as many lost as make it stale", [1600] * 9 + [LOST] * 5 + [1600] * 10, []),
        ("just below the limit for ever", [1499.9] * 60, []),
        ("long enough", [1600] * 11, ["unacknowledged"]),
        ("in the deadband it stays", [1600] * 11 + [1440] * 60, ["unacknowledged"]),
        (
            "19 s clear, a moment in the deadband, 19 s clear",
            [1600] * 11 + [1000] * 19 + [1450] + [1000] * 19,
            ["unacknowledged"],
        ),
        (
            "19 s clear, a moment above, 19 s clear",
            [1600] * 11 + [1000] * 19 + [1600] + [1000] * 19,
            ["unacknowledged"],
        ),
        (
            "19 s clear, a lost poll, 19 s clear",
            [1600] * 11 + [1000] * 19 + [LOST] + [1000] * 19,
            ["unacknowledged", "returned"],
        ),
        ("clear long enough", [1600] * 11 + [1000] * 21, ["unacknowledged", "returned"]),
        ("a lost reading keeps it as it is", [1600] * 11 + [LOST] * 99, ["unacknowledged"]),
        ("below the span is no measurement", [1600] * 11 + [-400] * 99, ["unacknowledged"]),
    ],
)
def test_the_limit_must_be_passed_for_the_whole_delay(
    why: str, dp: list[Any], expected: list[str]
) -> None:
    collector = ready(OFF)
    for each in dp:
        collector.poll(each)
    assert states(collector) == expected, why


def test_the_end_of_a_delay_is_woken_for_not_waited_for() -> None:
    collector = ready(chosen(OFF, stale_after_s=600.0))
    collector.poll(1600.0)
    since_s = collector.t
    collector.wait(60.0)
    assert collector.alarm_changes(HIGH) == [(since_s + ALARM_ON_S, "unacknowledged")]


def test_without_a_delay_it_is_raised_and_cleared_at_once() -> None:
    collector = ready(with_alarm(HIGH, on_delay_s=0.0, off_delay_s=0.0))
    for dp in (1500.0, 1440.0, 1439.9, 1499.9, 1500.0):
        collector.poll(dp)
    assert states(collector) == ["unacknowledged", "returned", "unacknowledged"]


# --- acknowledgement


def ack(collector: Collector) -> Because:
    return collector.ask(Acknowledge(HIGH)).reason.code


def test_raised_acknowledged_cleared() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    assert ack(collector) is Because.DONE
    collector.hold(1000.0, 25)
    assert states(collector) == ["unacknowledged", "acknowledged", "normal"]


def test_raised_cleared_acknowledged() -> None:
    collector = ready(OFF).hold(1600.0, 15).hold(1000.0, 25)
    assert ack(collector) is Because.DONE
    assert states(collector) == ["unacknowledged", "returned", "normal"]


def test_raised_cleared_and_raised_again_is_unacknowledged_again() -> None:
    collector = ready(OFF).hold(1600.0, 15).hold(1000.0, 25).hold(1600.0, 15)
    assert states(collector) == ["unacknowledged", "returned", "unacknowledged"]


@pytest.mark.parametrize("acknowledged", [False, True])
def test_there_is_nothing_to_acknowledge(acknowledged: bool) -> None:
    collector = ready(OFF)
    if acknowledged:
        collector.hold(1600.0, 15)
        ack(collector)
    before = states(collector)
    assert ack(collector) is Because.NOTHING_TO_ACKNOWLEDGE
    assert states(collector) == before


def test_acknowledging_does_not_delay_the_clearing() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    collector.poll(1000.0)
    since_s = collector.t
    collector.hold(1000.0, 10)
    ack(collector)
    collector.hold(1000.0, 20)
    assert collector.alarm_changes(HIGH)[-1] == (since_s + ALARM_OFF_S, "normal")


def test_who_acknowledged_and_when_is_recorded() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    collector.ask(Acknowledge(HIGH), by="night shift")
    alarm = collector.alarm(HIGH)
    assert (alarm.by, alarm.since_utc_s) == ("night shift", collector.now.utc_s)
    assert alarm.reason.code is Because.ABOVE_LIMIT


def test_an_alarm_nobody_has_heard_of() -> None:
    answer = ready(OFF).ask(Acknowledge("coffee_cold"))
    assert (answer.accepted, answer.reason.code) == (False, Because.NO_SUCH_ALARM)
    assert answer.reason.detail == "coffee_cold"


# --- an alarm taken out


def test_a_disabled_alarm_is_not_raised() -> None:
    collector = ready(with_alarm(HIGH, enabled=False)).hold(1600.0, 60)
    assert states(collector) == []


def test_an_alarm_taken_out_while_active_goes_at_once_and_wants_no_acknowledgement() -> None:
    collector = ready(OFF).hold(1600.0, 15)
    collector.restart(settings=with_alarm(HIGH, enabled=False))
    assert states(collector) == ["unacknowledged", "normal"]
    collector.hold(1600.0, 60)
    assert states(collector) == ["unacknowledged", "normal"]


# --- what each alarm watches

LOW = AlarmName.LOW_DP  # at or below 75 Pa, clears above 75 + 60 Pa


@pytest.mark.parametrize(
    ("why", "dp", "blower", "for_s", "expected"),
    [
        ("torn or missing filter", 75.0, True, 80, ["unacknowledged"]),
        ("above", 75.1, True, 200, []),
        ("in the start-up of the blower", 10.0, True, 65, []),
        ("the blower stands still", 0.0, False, 300, []),
        ("the blower is not known to run", 0.0, None, 300, []),
        ("no reading", LOST, True, 300, []),
    ],
)
def test_low_dp(why: str, dp: Any, blower: bool | None, for_s: int, expected: list[str]) -> None:
    collector = running(OFF, blower_running=False).hold(dp, for_s, blower_running=blower)
    raised = [state for state in states(collector, LOW) if state == "unacknowledged"]
    assert raised == expected, why


def test_low_dp_is_not_judged_without_a_blower_contact() -> None:
    assert states(ready(OFF).hold(60.0, 300), LOW) == []


def test_low_dp_clears_above_its_deadband() -> None:
    collector = running(OFF).hold(10.0, 90)
    before = states(collector, LOW)
    assert before[-1] == "unacknowledged"
    collector.hold(135.0, 60)
    assert states(collector, LOW) == before
    collector.hold(135.1, 30)
    assert states(collector, LOW) == [*before, "returned"]


EVERYTHING = chosen(OFF, header=HEADER_SCALE, fitted=ALL_FITTED)


def header(signal: Any) -> Callable[[Collector], None]:
    def happen(collector: Collector) -> None:
        collector.header = signal

    return happen


def contacts(**changes: bool | None) -> Callable[[Collector], None]:
    def happen(collector: Collector) -> None:
        collector.contacts = replace(collector.contacts, **changes)

    return happen


def off_fails(outcome: Outcome) -> Callable[[Collector], None]:
    """The all-off that a start begins with fails."""

    def happen(collector: Collector) -> None:
        collector.outcome = answering(AllValvesOff=outcome)
        collector.restart()

    return happen


def off_works(collector: Collector) -> None:
    collector.outcome = answering()


def journal(writable: bool) -> Callable[[Collector], None]:
    return lambda collector: void(collector.journal(writable, "disk full"))


def void(_: object) -> None:
    """Only for its effect."""


@pytest.mark.parametrize(
    ("name", "comes", "stays", "goes", "because"),
    [
        (
            AlarmName.HEADER_PRESSURE_LOW,
            header(Measured(399_999.0)),
            [header(Measured(407_999.0)), header(LOST)],
            header(Measured(408_000.0)),  # 2 % of the limit above it
            Because.HEADER_LOW,
        ),
        (
            AlarmName.HEADER_TRANSMITTER_FAULT,
            header(LOST),
            [header(None)],
            header(Measured(500_000.0)),
            Because.READ_FAILED,
        ),
        (
            AlarmName.SMOKE,
            contacts(smoke=True),
            [contacts(smoke=None)],
            contacts(smoke=False),
            Because.SMOKE,
        ),
        (AlarmName.JOURNAL_FAULT, journal(False), [], journal(True), Because.JOURNAL_FAULT),
        (
            AlarmName.OUTPUTS_LOST,
            off_fails(Outcome.FAILED),
            [],
            off_works,
            Because.OUTPUTS_FAULT,
        ),
        (
            AlarmName.VALVE_STUCK_OPEN,
            off_fails(Outcome.STUCK_ON),
            [],
            off_works,
            Because.VALVE_STUCK_OPEN,
        ),
    ],
)
def test_it_comes_stays_and_goes(
    name: AlarmName,
    comes: Callable[[Collector], None],
    stays: list[Callable[[Collector], None]],
    goes: Callable[[Collector], None],
    because: Because,
) -> None:
    collector = running(EVERYTHING)
    assert states(collector, name) == []
    comes(collector)
    collector.hold(800.0, 15)
    assert states(collector, name) == ["unacknowledged"]
    assert collector.alarm(name).reason.code is because
    for happen in stays:
        happen(collector)
        collector.hold(800.0, 60)
        assert states(collector, name) == ["unacknowledged"]
    goes(collector)
    collector.hold(800.0, 40)
    assert states(collector, name) == ["unacknowledged", "returned"]
    assert collector.alarm(name).reason == told_because(Because.NO_LONGER)


def test_a_transmitter_fault_comes_and_goes() -> None:
    name = AlarmName.TRANSMITTER_FAULT
    collector = ready(OFF).hold(LOST, 15)
    assert states(collector, name) == ["unacknowledged"]
    collector.hold(800.0, 25)
    assert states(collector, name) == ["unacknowledged", "returned"]
    assert collector.alarm(name).reason == told_because(Because.NO_LONGER)


def test_a_transmitter_that_never_answers_is_a_fault() -> None:
    collector = Collector(OFF).wait(60.0)
    assert collector.alarm_changes(AlarmName.TRANSMITTER_FAULT) == [(10.0, "unacknowledged")]


def test_a_stuck_valve_is_told_instead_of_lost_outputs() -> None:
    collector = running(EVERYTHING)
    off_fails(Outcome.STUCK_ON)(collector)
    collector.hold(800.0, 60)
    assert states(collector, AlarmName.OUTPUTS_LOST) == []


@pytest.mark.parametrize(
    ("name", "comes"),
    [
        (AlarmName.SMOKE, contacts(smoke=True)),
        (AlarmName.HEADER_PRESSURE_LOW, header(Measured(100_000.0))),
        (AlarmName.HEADER_TRANSMITTER_FAULT, header(LOST)),
    ],
)
def test_an_alarm_of_something_that_is_no_longer_fitted_goes(
    name: AlarmName, comes: Callable[[Collector], None]
) -> None:
    collector = running(EVERYTHING)
    comes(collector)
    collector.hold(800.0, 15)
    collector.contacts = replace(collector.contacts, smoke=None)
    collector.header = None
    collector.restart(settings=OFF)
    collector.hold(800.0, 60)
    assert states(collector, name) == ["unacknowledged", "returned"]


def test_no_alarm_at_all_in_normal_operation() -> None:
    """One collector should add almost nothing to an operator's load."""
    collector = running(chosen(header=HEADER_SCALE))
    dp = 900.0
    for _ in range(3600):
        fired = len(collector.pulses)
        collector.poll(dp)
        dp = dp * 0.9 ** (len(collector.pulses) - fired) + 0.5
    assert len(collector.pulses) > 10
    raised = [b for b in collector.of(AlarmChanged) if b.state == AlarmState.UNACKNOWLEDGED]
    assert raised == []


def test_alarms_keep_the_order_of_the_settings() -> None:
    assert [alarm.name for alarm in ready().state.alarms] == [s.name for s in BASE.alarms]
