"""Which valve, when, one at a time; and the demand contact of a sequencer board."""

from itertools import pairwise

import pytest

from core.driver import answering, board, chosen, ready
from dustcake.core.commands import AllValvesOff, FireValve, SetDemand
from dustcake.core.events import DemandSet, PulseFailed, PulseFired
from dustcake.core.inputs import Outcome
from dustcake.core.requests.kinds import Mode, SelectMode
from dustcake.core.state import Phase


def test_valves_fire_in_order_and_the_order_goes_on_in_the_next_run() -> None:
    collector = ready().hold(1100.0, 55).hold(700.0, 20)
    assert [valve for _, valve in collector.pulses] == [2, 4, 1, 3, 2, 4]
    collector.hold(1100.0, 15)
    assert [valve for _, valve in collector.pulses][6:] == [1, 3]


def test_the_interval_is_kept_between_pulses_and_between_runs() -> None:
    collector = ready()
    for dp in (1100.0, 700.0) * 30:
        collector.poll(dp, after_s=1.5)
    times = [t for t, _ in collector.pulses]
    assert len(times) > 3
    assert min(b - a for a, b in pairwise(times)) >= 10.0


def test_a_pulse_carries_its_on_time_and_its_count() -> None:
    collector = ready().hold(1100.0, 50)
    first, fifth = collector.of(PulseFired)[0], collector.of(PulseFired)[4]
    assert (first.valve, first.count, first.on_time_s, first.ended_early) == (2, 1, 0.15, False)
    assert (fifth.valve, fifth.count) == (2, 2)
    assert collector.state.pulsing.counts == (1, 2, 1, 1)


def test_no_second_valve_while_the_first_is_not_known_to_have_ended() -> None:
    slow = chosen(pulsing={"report_timeout_s": 60.0})
    collector = ready(slow)
    collector.outcome = answering(FireValve=None)
    collector.hold(1100.0, 60)
    assert len(collector.sent(FireValve)) == 1


def test_a_late_but_timely_report_counts_when_it_comes() -> None:
    collector = ready(chosen(pulsing={"report_timeout_s": 60.0}))
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    (_, fire), *_ = collector.sent(FireValve)
    collector.hold(1100.0, 30)
    collector.outcome = answering()
    collector.report(fire, Outcome.DONE)
    assert collector.pulses[0][0] == collector.t
    # The interval counts from the command, which began the pulse: the next is already due.
    assert len(collector.sent(FireValve)) == 2


def test_a_pulse_that_is_cut_short_still_counts() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.ENDED_EARLY)
    collector.poll(1100.0)
    assert [(body.valve, body.ended_early) for body in collector.of(PulseFired)] == [(2, True)]
    assert collector.state.outputs.proved


def test_a_pulse_that_fails_is_not_counted_and_its_valve_gets_its_next_turn_in_order() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.FAILED)
    collector.poll(1100.0)
    assert [body.valve for body in collector.of(PulseFailed)] == [2]
    assert collector.state.pulsing.counts == (0, 0, 0, 0)
    assert collector.sent(AllValvesOff)[-1][0] == collector.t
    collector.outcome = answering()
    collector.hold(1100.0, 25)
    assert [valve for _, valve in collector.pulses] == [4, 1]


def test_a_pulse_without_an_outcome_in_time_is_given_up_and_its_late_report_ignored() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    (fired_s, fire), *_ = collector.sent(FireValve)
    collector.advance(fired_s + 0.15 + 2.0)
    assert [body.detail for body in collector.of(PulseFailed)] == ["no outcome in time"]
    before = collector.state
    collector.report(fire, Outcome.DONE)
    assert collector.of(PulseFired) == []
    assert collector.state.pulsing == before.pulsing
    assert collector.state.outputs == before.outputs


def test_a_report_of_nothing_that_was_commanded_changes_nothing() -> None:
    collector = ready()
    seq = collector.state.next_seq
    collector.report(FireValve(12345, 1, 0.15), Outcome.STUCK_ON)
    assert collector.state.next_seq == seq
    assert collector.state.outputs.proved


def test_a_run_that_ends_lets_the_pulse_under_way_take_its_time() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    offs = len(collector.sent(AllValvesOff))
    collector.ask(SelectMode(Mode.OFF))
    assert len(collector.sent(AllValvesOff)) == offs
    collector.report(collector.sent(FireValve)[0][1], Outcome.DONE)
    assert len(collector.pulses) == 1


def test_a_pulse_that_was_never_sent_is_no_fault_of_the_outputs() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=Outcome.WITHHELD)
    offs = len(collector.sent(AllValvesOff))
    collector.poll(1100.0)
    assert [body.detail for body in collector.of(PulseFailed)] == ["withheld"]
    assert len(collector.sent(AllValvesOff)) == offs
    assert collector.state.outputs.proved
    assert collector.state.pulsing.counts == (0, 0, 0, 0)


def test_the_last_valve_is_the_last_that_is_known_to_have_fired() -> None:
    collector = ready()
    last = [collector.state.pulsing.last_valve]
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    last.append(collector.state.pulsing.last_valve)
    collector.report(collector.sent(FireValve)[0][1], Outcome.DONE)
    last.append(collector.state.pulsing.last_valve)
    collector.outcome = answering(FireValve=Outcome.FAILED)
    collector.hold(1100.0, 12)
    last.append(collector.state.pulsing.last_valve)
    assert last == [None, None, 2, 2]
    assert len(collector.of(PulseFailed)) == 1


# --- the demand contact


@pytest.mark.parametrize("outcome", [Outcome.FAILED, Outcome.WITHHELD])
def test_a_demand_contact_that_cannot_be_closed_is_tried_again_in_its_own_time(
    outcome: Outcome,
) -> None:
    """An all-off that works does not let the next try follow on its heels."""
    collector = ready(board(cleaning={"mode": Mode.TIMED})).hold(800.0, 1)
    collector.ask(SelectMode(Mode.OFF))
    collector.outcome = answering(SetDemand=outcome)
    collector.ask(SelectMode(Mode.TIMED))
    asked_s = collector.t
    collector.hold(800.0, 25)
    tries = [t for t, command in collector.sent(SetDemand) if command.closed][1:]
    assert tries == [asked_s, asked_s + 10.0, asked_s + 20.0]


def test_a_demand_contact_whose_opening_was_never_sent_is_opened_by_an_all_off() -> None:
    collector = ready(board()).hold(1100.0, 3)
    collector.outcome = answering(SetDemand=Outcome.WITHHELD, AllValvesOff=None)
    collector.poll(700.0)
    assert [command.closed for _, command in collector.sent(SetDemand)] == [True, False]
    assert collector.sent(AllValvesOff)[-1][0] == collector.t


def test_a_demand_that_was_never_sent_leaves_the_contact_as_it_was() -> None:
    collector = ready(board())
    collector.outcome = answering(SetDemand=None)
    collector.poll(1100.0)
    collector.journal(False, "disk full")
    collector.report(collector.sent(SetDemand)[0][1], Outcome.WITHHELD)
    assert collector.of(DemandSet) == []
    assert collector.state.outputs.proved
    assert len(collector.sent(SetDemand)) == 1


def test_the_demand_contact_follows_the_run() -> None:
    collector = ready(board())
    assert collector.sent(SetDemand) == []
    collector.poll(1100.0)
    collector.hold(900.0, 5)
    collector.poll(700.0)
    assert [command.closed for _, command in collector.sent(SetDemand)] == [True, False]
    assert [body.closed for body in collector.of(DemandSet)] == [True, False]
    assert collector.sent(FireValve) == []


def test_the_demand_contact_is_told_nothing_new_before_its_outcome_is_known() -> None:
    collector = ready(board())
    collector.outcome = answering(SetDemand=None)
    collector.poll(1100.0)
    collector.poll(700.0)
    ((_, close),) = collector.sent(SetDemand)
    collector.outcome = answering()
    collector.report(close, Outcome.DONE)
    assert [command.closed for _, command in collector.sent(SetDemand)] == [True, False]
    assert not collector.state.pulsing.demand_closed


@pytest.mark.parametrize("outcome", [Outcome.FAILED, Outcome.STUCK_ON, None])
def test_a_demand_contact_that_fails_is_opened_by_an_all_off(outcome: Outcome | None) -> None:
    collector = ready(board())
    collector.outcome = answering(SetDemand=outcome, AllValvesOff=None)
    offs = len(collector.sent(AllValvesOff))
    collector.poll(1100.0)
    collector.wait(2.0)
    assert len(collector.sent(AllValvesOff)) == offs + 1
    assert not collector.state.pulsing.demand_closed
    assert collector.last.state.decision.phase is Phase.HELD


def test_the_demand_contact_does_not_chatter_with_the_polls() -> None:
    collector = ready(board()).hold(1100.0, 100)
    assert len(collector.sent(SetDemand)) == 1
