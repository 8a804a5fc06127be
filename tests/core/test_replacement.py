"""The filter replacement alarm: dP stays high although cleaning has run and air was there."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.driver import (
    ALARM_ON_S,
    HEADER_SCALE,
    LOST,
    Collector,
    answering,
    board,
    chosen,
    ready,
    running,
    with_header,
)
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import PulseFired
from dustcake.core.inputs import Measured, Outcome
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Acknowledge, RecordFilterChange

NAME = AlarmName.FILTER_REPLACEMENT  # 1250 Pa, deadband 60 Pa, two full cycles of four valves
BLOWER = chosen(fitted={"blower_running": True})
PATIENT = chosen(BLOWER, cleaning={"max_cycles": 10})


def states(collector: Collector) -> list[str]:
    return [state for _, state in collector.alarm_changes(NAME)]


def worn_out() -> Collector:
    """A collector whose replacement alarm has come up."""
    collector = ready(PATIENT, blower_running=True).hold(1300.0, 100)
    assert states(collector) == ["unacknowledged"]
    return collector


def test_only_after_its_full_cycles_above_the_set_point() -> None:
    collector = ready(PATIENT, blower_running=True).hold(1300.0, 100)
    eighth_s = collector.when(PulseFired)[7][0]
    assert collector.alarm_changes(NAME) == [(eighth_s + ALARM_ON_S, "unacknowledged")]
    reason = collector.alarm(NAME).reason
    assert reason.code is Because.NOT_CLEANED_BELOW
    assert dict(reason.values) == {"dp_pa": 1300.0, "limit_pa": 1250.0, "cycles": 2}


@pytest.mark.parametrize(
    ("why", "dp"),
    [
        ("above, but no cleaning could run", None),
        ("high, yet below the set point", 1249.0),
    ],
)
def test_not_without_both(why: str, dp: float | None) -> None:
    collector = running(PATIENT)
    if dp is None:
        collector.hold(1300.0, 600, door_open=True)
    else:
        collector.hold(dp, 600)
    assert states(collector) == [], why


def test_pulses_before_dp_was_above_do_not_count() -> None:
    collector = ready(PATIENT, blower_running=True).hold(1240.0, 65).hold(1300.0, 60)
    assert len(collector.pulses) > 8
    assert states(collector) == []


def test_falling_clearly_below_in_between_begins_the_count_anew() -> None:
    collector = ready(PATIENT, blower_running=True)
    for _ in range(6):
        collector.hold(1300.0, 25).hold(1189.9, 5)
    assert states(collector) == []


def test_falling_into_the_deadband_in_between_does_not() -> None:
    collector = ready(PATIENT, blower_running=True)
    for _ in range(4):
        collector.hold(1300.0, 20).hold(1190.0, 5)
    assert states(collector) == ["unacknowledged"]


def test_a_low_header_lets_no_cycle_count() -> None:
    collector = ready(with_header())
    collector.header = Measured(200_000.0)
    collector.hold(1300.0, 600)
    assert states(collector) == []


@pytest.mark.parametrize(("dp", "clears"), [(1190.0, False), (1189.9, True)])
def test_it_clears_only_below_its_deadband(dp: float, clears: bool) -> None:
    collector = worn_out().hold(dp, 60)
    assert states(collector)[1:] == ["returned"] * clears


def test_a_stopped_blower_neither_clears_it_nor_forgets_the_evidence() -> None:
    collector = worn_out().hold(0.0, 3600, blower_running=False)
    assert states(collector) == ["unacknowledged"]
    collector.hold(1300.0, 20, blower_running=True)
    assert states(collector) == ["unacknowledged"]
    assert collector.state.replacement.above


def test_it_is_held_through_a_restart_and_a_cold_start() -> None:
    collector = worn_out()
    collector.restart()
    collector.hold(0.0, 600, blower_running=False).hold(1300.0, 30, blower_running=True)
    assert states(collector) == ["unacknowledged"]
    collector.hold(1000.0, 60)
    assert states(collector) == ["unacknowledged", "returned"]


def test_a_lost_reading_neither_clears_nor_raises_it() -> None:
    collector = worn_out().hold(LOST, 600)
    assert states(collector) == ["unacknowledged"]


def test_without_a_contact_the_fall_of_a_stopping_blower_is_no_recovery() -> None:
    """dP passes through every limit on its way to zero, while it still proves some flow."""
    collector = ready(chosen(cleaning={"max_cycles": 10})).hold(1300.0, 100)
    assert states(collector) == ["unacknowledged"]
    for dp in (1200.0, 1000.0, 700.0, 400.0, 200.0, 60.0):
        collector.poll(dp)
    collector.hold(0.0, 3600)
    assert states(collector) == ["unacknowledged"]


def test_cycles_run_blind_raise_nothing_before_dp_is_seen_again() -> None:
    """Cleaning that ran with the reading lost, or the blower off, may well have done its work."""
    setpoints = chosen(PATIENT, cleaning={"fallback_interval_s": 10.0})
    collector = ready(setpoints, blower_running=True).hold(1300.0, 5).hold(LOST, 200)
    assert len(collector.pulses) > 8
    assert states(collector) == []
    collector.hold(800.0, 60)
    assert states(collector) == []


def test_cycles_run_blind_count_once_dp_is_seen_to_be_high_still() -> None:
    setpoints = chosen(PATIENT, cleaning={"fallback_interval_s": 10.0})
    collector = ready(setpoints, blower_running=True).hold(1300.0, 5).hold(LOST, 200)
    collector.hold(1300.0, 15)
    assert states(collector) == ["unacknowledged"]


# --- with a sequencer board: by how long the contact was closed


def test_a_boards_cycles_are_its_closed_time() -> None:
    collector = ready(board(cleaning={"max_cycles": 10}))
    collector.poll(1300.0)
    since_s = collector.t
    collector.hold(1300.0, 120)
    assert collector.alarm_changes(NAME) == [(since_s + 2 * 40.0 + ALARM_ON_S, "unacknowledged")]


def test_a_board_is_woken_for() -> None:
    collector = ready(board(stale_after_s=3600.0, cleaning={"max_cycles": 10}))
    collector.poll(1300.0)
    since_s = collector.t
    collector.wait(120.0)
    assert collector.alarm_changes(NAME) == [(since_s + 2 * 40.0 + ALARM_ON_S, "unacknowledged")]


def test_closed_time_adds_up_over_interruptions_and_a_restart() -> None:
    setpoints = board(fitted={"door_open": True}, cleaning={"max_cycles": 10})
    collector = ready(setpoints, door_open=False)
    collector.hold(1300.0, 31).hold(1300.0, 500, door_open=True)
    assert states(collector) == []
    assert collector.state.replacement.closed.at(collector.t) == 31.0
    collector.hold(1300.0, 31, door_open=False)
    collector.restart()
    assert collector.state.replacement.closed.at(collector.t) == 61.0
    collector.hold(1300.0, 20)
    assert states(collector) == []
    collector.hold(1300.0, 30)
    assert states(collector) == ["unacknowledged"]


def test_enough_closed_time_stays_enough_when_the_contact_opens() -> None:
    setpoints = board(fitted={"door_open": True}, cleaning={"max_cycles": 10})
    collector = ready(setpoints, door_open=False)
    collector.hold(1300.0, 85).hold(1300.0, 20, door_open=True)
    assert states(collector) == ["unacknowledged"]


# --- what counts as cleaning, and what ends the alarm


def test_pulses_without_proof_of_good_air_do_not_count() -> None:
    """The transmitter of the header is lost: pulses go on, but prove nothing of the filters."""
    collector = ready(with_header(cleaning={"max_cycles": 10}))
    collector.header = LOST
    collector.hold(1300.0, 200)
    assert len(collector.pulses) > 8
    assert states(collector) == []
    collector.header = Measured(600_000.0)
    collector.hold(1300.0, 100)
    assert states(collector) == ["unacknowledged"]


def test_nor_do_pulses_that_were_cut_short() -> None:
    collector = ready(PATIENT, blower_running=True)
    collector.outcome = answering(FireValve=Outcome.ENDED_EARLY)
    collector.hold(1300.0, 200)
    assert len(collector.pulses) > 8
    assert states(collector) == []


def test_closed_time_without_good_air_does_not_count() -> None:
    collector = ready(board(header=HEADER_SCALE, cleaning={"max_cycles": 10}))
    collector.header = LOST
    collector.hold(1300.0, 200)
    assert states(collector) == []


def test_a_recorded_filter_change_clears_it_whatever_dp_reads() -> None:
    """The blower stands still while filters are changed, so there is no dP to judge by."""
    collector = worn_out().hold(0.0, 600, blower_running=False)
    collector.restart()
    assert states(collector) == ["unacknowledged"]
    collector.ask(RecordFilterChange("", (2,)))
    collector.hold(0.0, 60, blower_running=False)
    assert states(collector) == ["unacknowledged", "returned"]
    assert collector.alarm(NAME).reason.code is Because.FILTERS_CHANGED


def test_after_a_filter_change_the_evidence_begins_anew() -> None:
    collector = worn_out()
    collector.ask(RecordFilterChange())
    collector.hold(1300.0, 40)
    assert collector.alarm(NAME).state == "returned"
    collector.hold(1300.0, 100)
    assert states(collector) == ["unacknowledged", "returned", "unacknowledged"]
    assert collector.state.replacement.pulses > 0


@given(
    st.floats(0.0, 1200.0),  # within the deadband below the set point nothing has recovered
    st.floats(1250.0, 2400.0),
    st.integers(0, 600),
    st.integers(0, 40),
    st.booleans(),
    st.booleans(),
)
def test_a_filter_change_clears_it_whatever_is_read_when_it_is_recorded(
    low_pa: float, high_pa: float, off_s: int, on_s: int, stopped: bool, acknowledged: bool
) -> None:
    """Before or after the blower runs again, and dP is above the set point or not."""
    collector = worn_out()
    if acknowledged:
        collector.ask(Acknowledge(NAME))
    if stopped:
        collector.hold(0.0, off_s, blower_running=False)
    if on_s:
        collector.hold(high_pa, on_s, blower_running=True)
    assert collector.ask(RecordFilterChange()).accepted
    begun_s = collector.t
    collector.hold(high_pa, 25, blower_running=True)
    assert states(collector)[-1] == ("normal" if acknowledged else "returned")
    collector.hold(low_pa, 300)
    assert not [at for at, state in collector.alarm_changes(NAME) if state == "unacknowledged"][1:]
    assert begun_s < collector.t


def test_new_filters_stay_new_until_cleaning_has_not_helped_them() -> None:
    collector = worn_out().hold(0.0, 60, blower_running=False)
    collector.ask(RecordFilterChange())
    collector.hold(800.0, 60, blower_running=True)
    assert states(collector)[-1] == "returned"
    assert collector.state.replacement.fresh
    collector.hold(1300.0, 30)
    assert collector.state.replacement.fresh
    collector.hold(1300.0, 100)
    assert not collector.state.replacement.fresh


def test_dp_within_the_deadband_does_not_clear_it_after_a_moment_below() -> None:
    """The off-delay is for all of the recovery, not for what follows one low reading."""
    collector = worn_out().hold(1000.0, 1).hold(1200.0, 600)
    assert states(collector) == ["unacknowledged"]


def test_acknowledging_does_not_clear_it() -> None:
    collector = worn_out()
    collector.ask(Acknowledge(NAME))
    collector.hold(1300.0, 600)
    assert states(collector) == ["unacknowledged", "acknowledged"]
