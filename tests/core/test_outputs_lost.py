"""The alarm on lost outputs: pulses that fail one after another, a blower that cannot be told."""

import pytest

from core.driver import ALARM_ON_S, Collector, answering, board, chosen, ready
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import OutputsChanged, PulseFailed
from dustcake.core.inputs import Outcome
from dustcake.core.reasons import Because, because
from dustcake.core.requests.kinds import Mode, RunBlower
from dustcake.core.setpoints import BlowerRequest, Setpoints

LOST = AlarmName.OUTPUTS_LOST


def states(collector: Collector, name: AlarmName = LOST) -> list[str]:
    return [state for _, state in collector.alarm_changes(name)]


def test_pulses_that_fail_one_after_another_are_told_even_if_every_all_off_works() -> None:
    """Each is a fault of the outputs, but only until the all-off has been reported done."""
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.FAILED)
    collector.hold(1100.0, 60)
    failed_s = [t for t, _ in collector.when(PulseFailed)]
    changes = [changed.healthy for changed in collector.of(OutputsChanged)]
    assert changes == [False, True] * len(failed_s)
    assert collector.alarm_changes(LOST) == [(failed_s[2] + ALARM_ON_S, "unacknowledged")]


def after_failures(setpoints: Setpoints, count: int) -> Collector:
    """So many pulses in a row have failed, and the outputs were proved off after each."""
    collector = ready(setpoints)
    collector.outcome = answering(FireValve=Outcome.FAILED)
    while len(collector.of(PulseFailed)) < count:
        collector.poll(1100.0)
    collector.outcome = answering(FireValve=None)
    collector.hold(800.0, 1)
    return collector


SLOW = chosen(pulsing={"interval_s": 30.0, "report_timeout_s": 300.0})


@pytest.mark.parametrize(("failed", "expected"), [(1, []), (2, []), (3, ["unacknowledged"])])
def test_how_many_failed_pulses_are_told(failed: int, expected: list[str]) -> None:
    collector = after_failures(SLOW, failed).hold(800.0, 25)
    assert states(collector) == expected
    if expected:
        assert collector.alarm(LOST).reason == because(Because.PULSES_FAIL, failures=3)


def test_a_pulse_that_works_clears_it_and_fewer_failures_do_not() -> None:
    collector = after_failures(SLOW, 3).hold(800.0, 25)
    collector.outcome = answering()
    collector.hold(800.0, 1)
    assert states(collector) == ["unacknowledged"]
    collector.hold(800.0, 60)
    assert collector.state.pulsing.failures == 0
    assert states(collector) == ["unacknowledged", "returned"]
    assert collector.alarm(LOST).reason == because(Because.NO_LONGER)


@pytest.mark.parametrize("failed", [1, 2])
def test_one_or_two_failures_clear_nothing(failed: int) -> None:
    """Raised because the outputs could not be proved off; they can again, but pulses still fail."""
    collector = ready(SLOW)
    collector.outcome = answering(FireValve=Outcome.FAILED, AllValvesOff=Outcome.FAILED)
    collector.hold(1100.0, 40)
    assert states(collector) == ["unacknowledged"]
    collector.outcome = answering(FireValve=Outcome.FAILED)
    while len(collector.of(PulseFailed)) < failed:
        collector.poll(1100.0)
    collector.outcome = answering(FireValve=None)
    collector.hold(800.0, 200)
    assert collector.state.pulsing.failures == failed
    assert states(collector) == ["unacknowledged"]
    collector.outcome = answering()
    collector.hold(800.0, 400)
    assert states(collector) == ["unacknowledged", "returned"]


def test_a_restart_does_not_forget_failures() -> None:
    collector = after_failures(SLOW, 3).hold(800.0, 25)
    collector.outcome = answering()
    collector.restart()
    collector.hold(800.0, 300)
    assert states(collector) == ["unacknowledged"]
    collector.hold(1100.0, 60)
    assert states(collector) == ["unacknowledged", "returned"]


def test_a_demand_contact_that_fails_again_and_again_is_told_until_it_works() -> None:
    collector = ready(board())
    collector.outcome = answering(SetDemand=Outcome.FAILED)
    collector.hold(1100.0, 20)
    assert states(collector) == []
    collector.hold(1100.0, 20)
    assert states(collector) == ["unacknowledged"]
    collector.outcome = answering()
    collector.hold(1100.0, 40)
    assert states(collector) == ["unacknowledged", "returned"]


def test_pulses_that_were_never_sent_are_no_failures_of_the_outputs() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.WITHHELD)
    collector.hold(1100.0, 100)
    assert len(collector.of(PulseFailed)) > 3
    assert states(collector) == []


# --- a blower run output that cannot be told

BLOWER = chosen(cleaning={"mode": Mode.OFF}, blower={"request": BlowerRequest.HAND})


@pytest.mark.parametrize(
    ("outcome", "detail"), [(Outcome.FAILED, "failed"), (None, "no outcome in time")]
)
def test_a_blower_that_cannot_be_told_is_told_to_people(
    outcome: Outcome | None, detail: str
) -> None:
    collector = ready(BLOWER)
    collector.outcome = answering(SetBlowerRun=outcome)
    collector.ask(RunBlower(True))
    collector.hold(800.0, 60)
    assert states(collector) == ["unacknowledged"]
    assert collector.alarm(LOST).reason == because(Because.BLOWER_NOT_TOLD, detail)
    collector.outcome = answering()
    collector.hold(800.0, 60)
    assert states(collector) == ["unacknowledged", "returned"]


def test_a_stuck_valve_does_not_hide_a_blower_that_cannot_be_told() -> None:
    collector = ready(BLOWER)
    collector.outcome = answering(SetBlowerRun=Outcome.FAILED, AllValvesOff=Outcome.STUCK_ON)
    collector.restart()
    collector.ask(RunBlower(True))
    collector.hold(800.0, 60)
    assert states(collector, AlarmName.VALVE_STUCK_OPEN) == ["unacknowledged"]
    assert states(collector) == ["unacknowledged"]
