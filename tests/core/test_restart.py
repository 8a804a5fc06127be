"""What a restart keeps, what it begins anew, and an orderly stop."""

import pytest

from core.driver import BASE, Collector, answering, board, chosen, ready, running
from dustcake.core.alarms.names import AlarmName
from dustcake.core.commands import AllValvesOff, FireValve, SetDemand
from dustcake.core.events import CleaningStopped, PulseInterrupted, Started, Stopped
from dustcake.core.inputs import Outcome
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Acknowledge, Mode, SelectMode, SetZero


def test_all_valves_off_comes_first() -> None:
    for collector in (Collector(), ready(), ready().hold(1100.0, 15), running(board())):
        step = collector.restart()
        assert isinstance(step.commands[0], AllValvesOff)
        assert step.events[0].body.name == "started"


def test_the_downtime_is_told() -> None:
    collector = ready()
    collector.restart(downtime_s=None)
    collector.restart(downtime_s=12.5)
    assert [body.downtime_s for body in collector.of(Started)] == [None, None, 12.5]


def test_an_interrupted_pulse_is_counted_and_not_repeated() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    (_, fire), *_ = collector.sent(FireValve)
    collector.outcome = answering()
    collector.restart()
    assert [body.valve for body in collector.of(PulseInterrupted)] == [2]
    assert collector.state.pulsing.counts == (0, 1, 0, 0)
    collector.report(fire, Outcome.DONE)  # from the time before: nobody waits for it
    assert collector.state.pulsing.counts == (0, 1, 0, 0)
    collector.hold(1100.0, 15)
    assert collector.pulses[0][1] == 4


def test_nothing_was_interrupted_when_nothing_was_in_flight() -> None:
    collector = ready().hold(1100.0, 3)
    collector.restart()
    assert collector.of(PulseInterrupted) == []


def test_a_demand_contact_in_flight_is_no_pulse() -> None:
    collector = ready(board())
    collector.outcome = answering(SetDemand=None)
    collector.poll(1100.0)
    collector.outcome = answering()
    collector.restart()
    assert collector.of(PulseInterrupted) == []
    collector.hold(1100.0, 5)
    assert [command.closed for _, command in collector.sent(SetDemand)] == [True, True]


def test_the_header_gets_a_full_interval_before_the_first_pulse() -> None:
    collector = ready(chosen(settle_s=0.0)).hold(1100.0, 5)
    fired = len(collector.pulses)
    collector.restart()
    collector.hold(1100.0, 30)
    assert collector.pulses[fired][0] == BASE.pulsing.interval_s


def test_delays_begin_anew() -> None:
    setpoints = chosen(cleaning={"on_delay_s": 20.0})
    collector = ready(setpoints).hold(1100.0, 19)
    collector.restart()
    collector.hold(1100.0, 20)
    assert not collector.is_cleaning()
    collector.hold(1100.0, 1)
    assert collector.is_cleaning()


def test_the_delay_of_an_alarm_begins_anew() -> None:
    collector = ready(chosen(cleaning={"mode": Mode.OFF})).hold(1600.0, 9)
    collector.restart()
    collector.hold(1600.0, 9)
    assert collector.alarm_changes(AlarmName.HIGH_DP) == []
    collector.hold(1600.0, 3)
    assert len(collector.alarm_changes(AlarmName.HIGH_DP)) == 1


def test_a_run_under_way_is_told_to_have_ended() -> None:
    collector = ready().hold(1100.0, 15)
    collector.restart()
    (stopped,) = collector.of(CleaningStopped)
    assert (stopped.reason.code, stopped.pulses) == (Because.RESTARTED, 2)
    assert stopped.duration_s == 14.0
    assert not collector.is_cleaning()


def test_alarms_acknowledgement_mode_zero_counts_and_numbers_are_kept() -> None:
    collector = running(BASE).hold(1600.0, 15)
    collector.ask(Acknowledge(AlarmName.HIGH_DP), by="day shift")
    collector.hold(4.0, 60, blower_running=False)
    collector.ask(SetZero())
    collector.hold(4.0, 6)
    collector.ask(SelectMode(Mode.TIMED))
    before = collector.state
    assert before.zero.offset_pa == 4.0
    collector.restart()
    after = collector.state
    assert [(a.name, a.state, a.since_utc_s, a.by) for a in after.alarms] == [
        (a.name, a.state, a.since_utc_s, a.by) for a in before.alarms
    ]
    assert after.mode is Mode.TIMED
    assert after.zero == before.zero
    assert after.pulsing.counts == before.pulsing.counts
    assert after.pulsing.next_index == before.pulsing.next_index
    assert after.next_seq > before.next_seq
    assert after.next_command > before.next_command
    assert after.answers == before.answers


@pytest.mark.parametrize(
    ("why", "settings", "mode"),
    [
        ("what was selected stays selected", Mode.ON_DEMAND, Mode.OFF),
        ("a change of the settings is newer than the selection", Mode.TIMED, Mode.TIMED),
    ],
)
def test_mode_after_a_restart(why: str, settings: Mode, mode: Mode) -> None:
    collector = ready()
    collector.ask(SelectMode(Mode.OFF))
    collector.restart(settings=chosen(cleaning={"mode": settings}))
    assert collector.state.mode is mode, why
    collector.restart()
    assert collector.state.mode is mode


def test_what_the_contacts_said_before_is_not_believed() -> None:
    collector = running(BASE)
    collector.restart()
    assert collector.met("no_smoke") == "no"
    assert collector.state.blower.running is None


@pytest.mark.parametrize("order", [(1,), (2, 1), (5, 3, 1, 4, 2, 6)])
def test_another_number_of_valves(order: tuple[int, ...]) -> None:
    collector = ready().hold(1100.0, 35)
    counts = collector.state.pulsing.counts
    collector.restart(settings=chosen(pulsing={"order": order}))
    kept = collector.state.pulsing.counts
    assert len(kept) == len(order)
    assert kept[: len(counts)] == counts[: len(order)]
    collector.hold(1100.0, 60)
    assert {valve for _, valve in collector.pulses[4:]} <= set(order)


# --- an orderly stop


def test_a_stop_ends_the_run_and_leaves_every_valve_off() -> None:
    collector = ready().hold(1100.0, 3)
    step = collector.stop()
    assert isinstance(step.commands[0], AllValvesOff)
    assert len(collector.of(Stopped)) == 1
    assert collector.of(CleaningStopped)[0].reason.code is Because.STOPPING
    fired = len(collector.pulses)
    collector.hold(1100.0, 60)
    assert len(collector.pulses) == fired


def test_a_stop_opens_the_demand_contact() -> None:
    collector = ready(board()).hold(1100.0, 3)
    collector.stop()
    assert not collector.state.pulsing.demand_closed


def test_after_a_stop_and_a_start_cleaning_goes_on() -> None:
    collector = ready().hold(1100.0, 3)
    collector.stop()
    collector.restart()
    collector.hold(1100.0, 15)
    assert collector.is_cleaning()
    assert len(collector.pulses) == 2
