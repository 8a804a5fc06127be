"""Runs that are held: a lost reading is waited for, a contact that cannot be read ends nothing."""

from dataclasses import replace
from itertools import pairwise

import pytest

from core.driver import (
    ALL_FITTED,
    BASE,
    LOST,
    Collector,
    answering,
    board,
    chosen,
    ready,
    running,
    with_header,
)
from dustcake.core.cleaning.state import RunKind
from dustcake.core.commands import AllValvesOff, FireValve, SetDemand
from dustcake.core.events import CleaningStarted, CleaningStopped
from dustcake.core.inputs import Measured, Outcome, Signal
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, SelectMode
from dustcake.core.setpoints import OnBadReading, OutputKind, Pulsing, Setpoints
from dustcake.core.state import Phase

GRACE_S = BASE.stale_after_s
FITTED = chosen(fitted={"blower_running": True})


def stops(collector: Collector) -> list[Because]:
    return [body.reason.code for body in collector.of(CleaningStopped)]


def shown(collector: Collector) -> tuple[Phase, Because]:
    return collector.last.state.decision.phase, collector.because


# --- the reading is lost


@pytest.mark.parametrize("bad", [LOST, Measured(float("nan")), Measured(2600.0)])
def test_one_lost_reply_does_not_end_a_run_that_would_not_begin_again(bad: Signal) -> None:
    """dP is below the high set point by now, and not down to low."""
    collector = ready().hold(1100.0, 1).hold(900.0, 3)
    collector.poll(bad)
    assert shown(collector) == (Phase.HELD, Because.BAD_READING_WAIT)
    assert collector.met("valid_reading") == "no"
    collector.poll(900.0)
    assert shown(collector) == (Phase.CLEANING, Because.ABOVE_LOW)
    collector.hold(900.0, 20)
    assert len(collector.pulses) == 3
    collector.hold(750.0, 1)
    assert stops(collector) == [Because.LOW_REACHED]


def test_no_pulse_without_a_reading_and_the_one_that_was_due_when_it_is_back() -> None:
    collector = ready().hold(1100.0, 8).hold(LOST, 4)
    assert len(collector.sent(FireValve)) == 1
    collector.poll(1100.0)
    assert collector.sent(FireValve)[1][0] == collector.t
    assert stops(collector) == []


def test_a_pulse_under_way_takes_its_time_without_a_reading() -> None:
    collector = ready()
    collector.outcome = answering(FireValve=None)
    collector.poll(1100.0)
    offs = len(collector.sent(AllValvesOff))
    collector.poll(LOST, after_s=0.1)
    assert len(collector.sent(AllValvesOff)) == offs
    collector.report(collector.sent(FireValve)[0][1], Outcome.DONE)
    assert len(collector.pulses) == 1


@pytest.mark.parametrize(
    ("why", "setpoints", "phase", "because"),
    [
        (
            "hold is chosen",
            chosen(FITTED, cleaning={"on_bad_reading": OnBadReading.HOLD}),
            Phase.BLOCKED,
            Because.BAD_READING_HOLD,
        ),
        ("no contact proves the blower", BASE, Phase.BLOCKED, Because.FALLBACK_NEEDS_BLOWER),
        ("fallback is still to come", FITTED, Phase.WAITING, Because.BAD_READING_WAIT),
        (
            "fallback has been due for a while",
            chosen(FITTED, cleaning={"fallback_delay_s": 2.0}),
            Phase.CLEANING,
            Because.BAD_READING_FALLBACK,
        ),
    ],
)
def test_the_wait_ends_to_the_second_and_is_woken_for(
    why: str, setpoints: Setpoints, phase: Phase, because: Because
) -> None:
    collector = ready(setpoints, blower_running=True).hold(1100.0, 3)
    collector.poll(LOST)
    since_s = collector.t
    collector.poll(LOST, after_s=2.5)  # the contacts are still read
    collector.advance(since_s + GRACE_S - 0.001)
    assert shown(collector) == (Phase.HELD, Because.BAD_READING_WAIT)
    collector.advance(since_s + GRACE_S)
    assert shown(collector) == (phase, because), why
    assert collector.when(CleaningStopped)[0][0] == since_s + GRACE_S
    assert stops(collector) == [because]


def test_fallback_counts_from_when_the_reading_went_bad_not_from_the_end_of_the_run() -> None:
    collector = ready(FITTED, blower_running=True).hold(1100.0, 3)
    collector.poll(LOST)
    since_s = collector.t
    collector.hold(LOST, 40)
    last_s, last = collector.when(CleaningStarted)[-1]
    assert (last_s, last.kind) == (since_s + 30.0, RunKind.FALLBACK)


def test_silence_is_waited_for_twice_as_long_as_it_takes_to_notice() -> None:
    collector = ready().hold(1100.0, 3)
    last_s = collector.t
    collector.advance(last_s + GRACE_S)
    assert shown(collector) == (Phase.HELD, Because.BAD_READING_WAIT)
    collector.advance(last_s + 2 * GRACE_S)
    assert not collector.is_cleaning()


def test_each_loss_has_its_own_wait() -> None:
    collector = ready().hold(1100.0, 1)
    for _ in range(20):
        collector.hold(LOST, 4).hold(900.0, 1)
    assert stops(collector) == []
    times = [t for t, _ in collector.pulses]
    assert len(times) == 11
    assert {b - a for a, b in pairwise(times)} == {10.0}


def test_dp_that_comes_back_low_ends_the_run_at_once() -> None:
    collector = ready().hold(1100.0, 3).hold(LOST, 3).hold(700.0, 1)
    assert stops(collector) == [Because.LOW_REACHED]


def test_the_limit_of_cycles_is_judged_when_dp_can_be_read() -> None:
    collector = ready().hold(1100.0, 117).hold(LOST, 4)
    assert len(collector.pulses) == 12
    assert stops(collector) == []
    collector.poll(1100.0)
    assert stops(collector) == [Because.LIMIT_OF_CYCLES]
    assert len(collector.sent(FireValve)) == 12


def test_a_cycle_being_finished_waits_too() -> None:
    collector = ready(chosen(cleaning={"finish_cycle": True})).hold(1100.0, 15).hold(700.0, 3)
    collector.hold(LOST, 4)
    assert shown(collector) == (Phase.HELD, Because.BAD_READING_WAIT)
    collector.hold(900.0, 30)
    assert len(collector.pulses) == 4
    assert stops(collector) == [Because.LOW_REACHED]


def test_what_ends_a_run_does_so_without_a_reading_too() -> None:
    collector = running().hold(1100.0, 3)
    collector.poll(LOST, smoke=True)
    assert stops(collector) == [Because.SMOKE]


def test_a_low_header_does_not_stand_before_the_lost_reading() -> None:
    collector = ready(with_header()).hold(1100.0, 3)
    collector.header = Measured(100_000.0)
    collector.poll(LOST)
    assert shown(collector) == (Phase.HELD, Because.BAD_READING_WAIT)
    collector.poll(1100.0)
    assert shown(collector) == (Phase.HELD, Because.HEADER_LOW)


def test_selecting_another_mode_does_not_wait() -> None:
    collector = ready().hold(1100.0, 3).hold(LOST, 1)
    collector.ask(SelectMode(Mode.OFF))
    assert stops(collector) == [Because.MODE_OFF]


def test_a_sequencer_board_is_stopped_for_as_long_as_the_reading_is_lost() -> None:
    collector = ready(board())
    collector.poll(1100.0)
    since_s = collector.t
    collector.hold(1100.0, 49).hold(LOST, 4).hold(1100.0, 100)
    told = [(t, command.closed) for t, command in collector.sent(SetDemand)][:3]
    assert told == [(since_s, True), (since_s + 50.0, False), (since_s + 54.0, True)]
    # Only the time for which the contact was closed counts towards the limit of three cycles.
    assert stops(collector) == [Because.LIMIT_OF_CYCLES]
    assert collector.when(CleaningStopped)[0][0] == since_s + 120.0 + 4.0


@pytest.mark.parametrize("setpoints", [FITTED, board(fitted=FITTED.fitted)])
def test_timed_cleaning_does_not_wait_for_a_reading(setpoints: Setpoints) -> None:
    timed = chosen(setpoints, cleaning={"mode": Mode.TIMED})
    collector = ready(timed, blower_running=True).hold(800.0, 20)
    before = len(collector.commands)
    collector.hold(LOST, 60)
    assert collector.last.state.decision.phase is Phase.CLEANING
    assert len(collector.commands) == before + (4 if setpoints is FITTED else 0)


# --- a contact cannot be read

DOWNTIME = chosen(fitted=ALL_FITTED, cleaning={"downtime": True, "downtime_min_run_s": 5.0})


def in_a_run(kind: RunKind, setpoints: Setpoints) -> tuple[Collector, float | Signal]:
    """A run of this kind is under way; and what is read in it."""
    if kind is RunKind.TIMED:
        setpoints = chosen(setpoints, cleaning={"mode": Mode.TIMED})
        return running(setpoints).hold(800.0, 20), 800.0
    if kind is RunKind.FALLBACK:
        return running(setpoints).hold(LOST, 35), LOST
    if kind is RunKind.DOWNTIME:
        return running(setpoints).hold(0.0, 95, blower_running=False), 0.0
    return running(setpoints).hold(1100.0, 5), 1100.0


@pytest.mark.parametrize("outputs", [BASE.pulsing, board().pulsing], ids=lambda p: p.kind)
@pytest.mark.parametrize("kind", list(RunKind))
@pytest.mark.parametrize("name", ["smoke", "stop", "door_open", "blower_running"])
def test_a_contact_that_cannot_be_read_holds_a_run_until_it_can(
    name: str, kind: RunKind, outputs: Pulsing
) -> None:
    collector, dp = in_a_run(kind, replace(DOWNTIME, pulsing=outputs))
    assert collector.last.state.decision.kind is kind
    stopped, commands = len(stops(collector)), len(collector.sent(FireValve))
    before = collector.contacts
    collector.contacts = replace(before, **{name: None})
    collector.hold(dp, 100)
    because = Because.CONTACT_UNREADABLE
    if name == "blower_running":
        because = Because.BLOWER_UNKNOWN
    assert shown(collector) == (Phase.HELD, because)
    assert collector.last.state.decision.kind is kind
    assert len(collector.sent(FireValve)) == commands
    assert not collector.state.pulsing.demand_closed
    collector.contacts = before
    collector.hold(dp, 1)
    assert collector.last.state.decision.phase is Phase.CLEANING
    assert len(stops(collector)) == stopped
    by_board = outputs.kind is OutputKind.DEMAND_CONTACT
    assert collector.state.pulsing.demand_closed is by_board
    assert len(collector.sent(FireValve)) == commands + (not by_board)


@pytest.mark.parametrize("kind", list(RunKind))
@pytest.mark.parametrize(
    ("name", "because"),
    [
        ("smoke", Because.SMOKE),
        ("stop", Because.STOP_INPUT),
        ("door_open", Because.DOOR_OPEN),
    ],
)
def test_a_contact_that_says_so_ends_a_held_run(name: str, because: Because, kind: RunKind) -> None:
    collector, dp = in_a_run(kind, DOWNTIME)
    stopped = len(stops(collector))
    collector.contacts = replace(collector.contacts, **{name: None})
    collector.hold(dp, 5)
    assert len(stops(collector)) == stopped
    collector.contacts = replace(collector.contacts, **{name: True})
    collector.hold(dp, 1)
    assert stops(collector)[stopped:] == [because]


def test_a_blower_that_is_off_ends_a_run_that_was_held_because_nobody_knew() -> None:
    collector = running().hold(1100.0, 5).hold(1100.0, 20, blower_running=None)
    assert shown(collector) == (Phase.HELD, Because.BLOWER_UNKNOWN)
    collector.hold(1100.0, 1, blower_running=False)
    assert stops(collector) == [Because.BLOWER_OFF]


def test_one_lost_reply_of_the_contacts_does_not_repeat_downtime_cleaning() -> None:
    """Neither its passes nor its spin-down."""
    collector = running(DOWNTIME).hold(0.0, 90, blower_running=False)
    for _ in range(12):
        collector.hold(0.0, 9).hold(0.0, 1, blower_running=None)
        collector.poll(0.0, after_s=0.5, blower_running=False)
    collector.hold(0.0, 300)
    assert len(collector.pulses) == 8
    assert stops(collector) == [Because.DOWNTIME_DONE]


def test_a_blower_that_runs_when_it_can_be_seen_again_ends_downtime_cleaning() -> None:
    collector = running(DOWNTIME).hold(0.0, 95, blower_running=False)
    collector.hold(0.0, 5, blower_running=None).hold(800.0, 1, blower_running=True)
    assert stops(collector) == [Because.BELOW_HIGH]


def test_a_run_survives_a_device_that_says_nothing_for_a_while() -> None:
    collector = running(chosen(cleaning={"mode": Mode.TIMED})).hold(800.0, 20)
    fired = len(collector.sent(FireValve))
    collector.wait(600.0)
    assert (collector.last.state.decision.phase, len(collector.sent(FireValve))) == (
        Phase.HELD,
        fired,
    )
    collector.poll(800.0)
    assert len(collector.sent(FireValve)) == fired + 1
    assert stops(collector) == []


def test_a_contact_that_cannot_be_read_lets_no_run_begin() -> None:
    collector = running(smoke=None).hold(1100.0, 30)
    assert shown(collector) == (Phase.BLOCKED, Because.CONTACT_UNREADABLE)
    permissives = collector.last.state.decision.permissives
    assert [p.reason.detail for p in permissives if p.reason is not None] == ["smoke"]


# --- the outputs are at fault


def test_a_fault_of_the_outputs_holds_a_run_that_would_not_begin_again() -> None:
    collector = ready().hold(1100.0, 3).hold(900.0, 6)
    collector.outcome = answering(FireValve=Outcome.FAILED, AllValvesOff=Outcome.FAILED)
    collector.hold(900.0, 5)
    assert shown(collector) == (Phase.HELD, Because.OUTPUTS_FAULT)
    collector.outcome = answering()
    collector.hold(900.0, 20)
    assert shown(collector) == (Phase.CLEANING, Because.ABOVE_LOW)
    assert [valve for _, valve in collector.pulses] == [2, 1, 3]
    assert stops(collector) == []
