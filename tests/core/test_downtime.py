"""Cleaning after the blower has stopped and spun down."""

import pytest

from core.driver import Collector, board, chosen, ready
from dustcake.core.cleaning.state import RunKind
from dustcake.core.events import CleaningStarted, CleaningStopped
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, SelectMode
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Phase

VALVES = chosen(fitted={"blower_running": True}, cleaning={"downtime": True})
BOARD = board(fitted={"blower_running": True}, cleaning={"downtime": True})


def after_work(setpoints: Setpoints, for_s: float = 700.0) -> Collector:
    """The blower has run for ``for_s`` and stops with the poll this ends on."""
    collector = ready(setpoints, blower_running=False).hold(800.0, for_s, blower_running=True)
    collector.poll(0.0, blower_running=False)
    return collector


@pytest.mark.parametrize("setpoints", [VALVES, BOARD], ids=["valves", "sequencer board"])
def test_it_waits_for_spin_down_runs_its_passes_and_stops(setpoints: Setpoints) -> None:
    collector = after_work(setpoints)
    stopped_s = collector.t
    assert collector.because is Because.DOWNTIME_SPIN_DOWN
    assert collector.last.state.decision.phase is Phase.WAITING
    collector.hold(0.0, 600)
    started, ended = collector.when(CleaningStarted), collector.when(CleaningStopped)
    assert [(t, body.kind) for t, body in started] == [(stopped_s + 90.0, RunKind.DOWNTIME)]
    assert [body.reason.code for _, body in ended] == [Because.DOWNTIME_DONE]
    if setpoints is VALVES:
        assert [valve for _, valve in collector.pulses] == [2, 4, 1, 3] * 2
    else:
        assert ended[0][0] == started[0][0] + 2 * 40.0
        assert not collector.state.pulsing.demand_closed


def test_it_needs_no_dp_reading() -> None:
    collector = after_work(VALVES)
    collector.poll(3000.0)
    collector.wait(200.0)
    # Without polls the contact is no longer known either, and nothing is pulsed.
    assert collector.pulses == []
    collector.hold(3000.0, 200)
    assert len(collector.pulses) == 8


def test_once_is_enough_until_the_blower_has_run_again() -> None:
    collector = after_work(VALVES).hold(0.0, 300)
    collector.hold(800.0, 599, blower_running=True).hold(0.0, 300, blower_running=False)
    assert len(collector.pulses) == 8
    assert collector.because is Because.BLOWER_OFF
    # It is running time that counts, not running without a break.
    collector.hold(800.0, 5, blower_running=True).hold(0.0, 300, blower_running=False)
    assert len(collector.pulses) == 16


def test_too_short_a_run_is_not_cleaned_after() -> None:
    collector = after_work(VALVES, 590.0).hold(0.0, 300)
    assert collector.pulses == []


def test_the_blower_starting_again_ends_it_and_it_is_still_due() -> None:
    collector = after_work(VALVES).hold(0.0, 105)
    assert len(collector.pulses) == 2
    collector.poll(800.0, blower_running=True)
    assert [b.reason.code for b in collector.of(CleaningStopped)] == [Because.BELOW_HIGH]
    collector.hold(800.0, 30).hold(0.0, 300, blower_running=False)
    assert len(collector.pulses) == 2 + 8


def test_a_blower_that_starts_in_the_spin_down_puts_it_off() -> None:
    collector = after_work(VALVES).hold(0.0, 80).hold(800.0, 5, blower_running=True)
    collector.hold(0.0, 89, blower_running=False)
    assert not collector.is_cleaning()
    collector.hold(0.0, 2)
    assert collector.is_cleaning()


@pytest.mark.parametrize("mode", [Mode.ON_DEMAND, Mode.TIMED])
def test_it_belongs_to_every_mode_but_off(mode: Mode) -> None:
    collector = after_work(VALVES)
    collector.ask(SelectMode(mode))
    collector.hold(0.0, 300)
    assert [body.kind for body in collector.of(CleaningStarted)] == [RunKind.DOWNTIME]


def test_mode_off_ends_it() -> None:
    collector = after_work(VALVES).hold(0.0, 95)
    assert collector.is_cleaning()
    collector.ask(SelectMode(Mode.OFF))
    assert not collector.is_cleaning()


def test_not_unless_chosen() -> None:
    collector = after_work(chosen(fitted={"blower_running": True})).hold(0.0, 300)
    assert collector.pulses == []


def test_not_by_dp_alone() -> None:
    """Without a blower contact a stopped blower is not proved, so nothing is pulsed."""
    collector = ready(chosen(cleaning={"downtime": True})).hold(800.0, 700).hold(0.0, 300)
    assert collector.pulses == []


def test_running_time_is_kept_through_a_restart() -> None:
    collector = ready(VALVES, blower_running=True).hold(800.0, 650)
    collector.restart()
    collector.hold(800.0, 20).hold(0.0, 300, blower_running=False)
    assert len(collector.pulses) == 8


def test_interrupted_by_a_restart_it_is_run_again_in_full() -> None:
    collector = after_work(VALVES).hold(0.0, 105)
    assert len(collector.pulses) == 2
    collector.restart()
    collector.hold(0.0, 400)
    assert len(collector.pulses) == 2 + 8
    assert collector.of(CleaningStopped)[0].reason.code is Because.RESTARTED
