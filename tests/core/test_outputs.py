"""Whether the outputs do what they are told, and getting them to a proved off."""

import pytest

from core.driver import BASE, Collector, answering, ready
from dustcake.core.commands import AllValvesOff, FireValve
from dustcake.core.events import OutputsChanged
from dustcake.core.inputs import Outcome
from dustcake.core.reasons import Because, because

RETRY_S, TIMEOUT_S = BASE.outputs_retry_s, BASE.pulsing.report_timeout_s


def offs(collector: Collector) -> list[float]:
    return [t for t, _ in collector.sent(AllValvesOff)]


def changes(collector: Collector) -> list[tuple[bool, str]]:
    return [(body.healthy, body.detail) for body in collector.of(OutputsChanged)]


def test_nothing_is_fired_before_the_first_proved_off() -> None:
    collector = Collector(outcome=answering(AllValvesOff=None))
    collector.hold(1100.0, 1)
    assert collector.met("outputs_healthy") == "no"
    permissives = collector.last.state.decision.permissives
    shown = next(p.reason for p in permissives if p.name == "outputs_healthy")
    assert shown == because(Because.OUTPUTS_UNPROVED)
    collector.hold(1100.0, 120)
    assert collector.sent(FireValve) == []


@pytest.mark.parametrize(
    ("why", "outcome", "again_after_s"),
    [
        ("refused", Outcome.FAILED, RETRY_S),
        ("stuck", Outcome.STUCK_ON, RETRY_S),
        ("no sense in an all-off", Outcome.ENDED_EARLY, RETRY_S),
        ("no outcome in time", None, TIMEOUT_S + RETRY_S),
    ],
)
def test_an_all_off_is_tried_again_until_it_works(
    why: str, outcome: Outcome | None, again_after_s: float
) -> None:
    collector = Collector(outcome=answering(AllValvesOff=outcome))
    collector.wait(3 * again_after_s)
    assert offs(collector) == [i * again_after_s for i in range(4)], why
    collector.outcome = answering()
    collector.wait(2 * again_after_s)
    assert len(offs(collector)) == 5
    assert collector.state.outputs.proved
    detail = "no outcome in time" if outcome is None else outcome.value
    assert changes(collector) == [(False, detail), (True, "")]


def test_a_proved_off_late_is_not_taken_for_an_answer() -> None:
    collector = Collector(outcome=answering(AllValvesOff=None))
    first = collector.sent(AllValvesOff)[0][1]
    collector.wait(TIMEOUT_S)
    collector.report(first, Outcome.DONE)
    assert not collector.state.outputs.proved


@pytest.mark.parametrize(
    ("outcome", "stuck"), [(Outcome.FAILED, False), (Outcome.STUCK_ON, True), (None, False)]
)
def test_a_pulse_that_goes_wrong_leads_to_an_all_off(outcome: Outcome | None, stuck: bool) -> None:
    collector = ready()
    collector.outcome = answering(FireValve=outcome, AllValvesOff=None)
    before = len(offs(collector))
    collector.poll(1100.0)
    collector.wait(TIMEOUT_S + 0.2)
    assert len(offs(collector)) == before + 1
    outputs = collector.state.outputs
    assert (outputs.proved, outputs.stuck) == (False, stuck)
    assert collector.because is Because.OUTPUTS_FAULT
    assert len(collector.sent(FireValve)) == 1


def test_stuck_stays_until_an_all_off_is_proved() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.STUCK_ON, AllValvesOff=Outcome.FAILED)
    stuck = [collector.hold(1100.0, 60).state.outputs.stuck]
    collector.outcome = answering()
    stuck.append(collector.hold(800.0, 20).state.outputs.stuck)
    assert stuck == [True, False]
    assert [healthy for healthy, _ in changes(collector)] == [False, True]


def test_a_loss_that_turns_out_to_be_a_stuck_valve_is_told_again() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.FAILED, AllValvesOff=Outcome.STUCK_ON)
    collector.hold(1100.0, 60)
    assert changes(collector) == [(False, "failed"), (False, "stuck_on")]


def test_the_words_of_the_device_are_kept() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    collector.report(collector.sent(FireValve)[0][1], Outcome.FAILED, "unit 4 coil 2: no reply")
    assert changes(collector)[0] == (False, "unit 4 coil 2: no reply")


def test_pulses_go_on_after_the_outputs_are_proved_again() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.FAILED, AllValvesOff=Outcome.FAILED)
    collector.hold(1100.0, 25)
    assert collector.pulses == []
    collector.outcome = answering()
    collector.hold(1100.0, 25)
    assert len(collector.pulses) >= 2


def test_a_fault_while_an_all_off_is_under_way_asks_for_another() -> None:
    """The pulse failed after that all-off was commanded, so only a newer one proves anything."""
    collector = ready()
    collector.outcome = answering(FireValve=None, AllValvesOff=None)
    collector.poll(1100.0)
    collector.stop()
    first_off = collector.sent(AllValvesOff)[-1][1]
    collector.report(collector.sent(FireValve)[0][1], Outcome.STUCK_ON)
    assert collector.sent(AllValvesOff)[-1][1] != first_off
    collector.report(first_off, Outcome.DONE)
    assert not collector.state.outputs.proved
