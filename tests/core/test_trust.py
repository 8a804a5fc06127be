"""Doubts about a reading that is well formed: made, told, acted on, and taken back."""

from itertools import cycle, islice
from math import inf

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from core.driver import LOST, Collector, ContactChanges, chosen, ready, running
from dustcake.core.alarms.names import AlarmName, AlarmSetting, Priority
from dustcake.core.events import CleaningStarted, FindingChanged, QualityChanged
from dustcake.core.reading import Quality
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Entry, RecordEntry, SetZero
from dustcake.core.setpoints import FanPlace, Setpoints
from dustcake.core.signal_validation.state import DEAD

DOUBTING = chosen(
    alarms=tuple(AlarmSetting(name, True, 0.0, 0.0, Priority.LOW) for name in AlarmName),
    signal_validation={
        "jump_pa": 250.0,
        "frozen_after_s": 1200.0,
        "no_dp_after_s": 60.0,
        "zero_check_after_s": 120.0,
        "not_zero_pa": 125.0,
    },
)
RIPPLE = (797.0, 801.0, 804.0, 800.0, 798.0, 803.0, 799.0)


def alive(collector: Collector, for_s: int, about_pa: float = 800.0) -> Collector:
    """Polls with a little noise, as from a transmitter that is alive."""
    for noise in islice(cycle(RIPPLE), for_s):
        collector.poll(about_pa + noise - 800.0)
    return collector


def working(setpoints: Setpoints = DOUBTING, **contacts: bool | None) -> Collector:
    changes: ContactChanges = {"blower_running": contacts.get("blower_running", True)}
    return alive(running(setpoints, **changes), 60)


def codes(collector: Collector) -> list[Because]:
    """Why the reading is not good."""
    return [reason.code for reason in collector.state.sample.reasons]


def quality(collector: Collector) -> Quality:
    return collector.state.sample.quality


def qualities(collector: Collector) -> list[str]:
    return [told.quality for told in collector.of(QualityChanged)]


# --- spikes and jumps


def test_a_single_implausible_sample_is_passed_over() -> None:
    collector = working()
    told = len(collector.log)
    collector.poll(1500.0)
    assert codes(collector) == [Because.JUMP_UNEXPLAINED]
    assert quality(collector) is Quality.OUT_OF_SPECIFICATION
    collector.poll(802.0)
    assert quality(collector) is Quality.GOOD
    alive(collector, 30)
    names = [event.body.name for event in collector.log[told:]]
    assert names.count("quality_changed") == 2
    assert not collector.of(CleaningStarted)


@pytest.mark.parametrize(
    ("fan", "to_pa", "code", "line"),
    [
        (FanPlace.DOWNSTREAM, 1300.0, Because.ROSE_AT_ONCE, "dirty side"),
        (FanPlace.UPSTREAM, 1300.0, Because.ROSE_AT_ONCE, "clean side"),
        (FanPlace.DOWNSTREAM, 300.0, Because.FELL_AT_ONCE, "clean side"),
        (FanPlace.UPSTREAM, 300.0, Because.FELL_AT_ONCE, "dirty side"),
    ],
)
def test_a_jump_that_stays_is_believed_with_a_doubt_that_names_the_line(
    fan: FanPlace, to_pa: float, code: Because, line: str
) -> None:
    """High port on the dirty side: with the fan downstream both sides are below the pressure of
    the room, so an open high line reads too high; with the fan upstream, too low."""
    collector = working(chosen(DOUBTING, signal_validation={"fan": fan}))
    collector.hold(to_pa, 3)
    assert codes(collector) == [Because.JUMP_UNEXPLAINED]
    collector.hold(to_pa, 2)
    assert codes(collector) == [code]
    assert collector.state.sample.quality is Quality.MAINTENANCE_REQUIRED
    assert collector.state.sample.usable_pa == to_pa
    assert collector.state.sample.reasons[0].detail == line
    rose = code is Because.ROSE_AT_ONCE
    assert collector.alarm(AlarmName.SENSING_LINE_SUSPECT).condition_active is rose
    assert collector.alarm(AlarmName.FILTER_TORN).condition_active is not rose


def test_filters_that_seem_worn_by_a_doubted_reading_are_explained_by_the_line() -> None:
    name = AlarmName.FILTER_REPLACEMENT
    collector = alive(working().hold(1300.0, 5), 180, about_pa=1300.0)
    assert collector.alarm(AlarmName.SENSING_LINE_SUSPECT).condition_active
    assert collector.alarm(name).cause is AlarmName.SENSING_LINE_SUSPECT
    assert [state for _, state in collector.alarm_changes(name)] == ["suppressed_by_design"]
    collector.ask(RecordEntry(Entry.DAMPER_MOVED))
    assert collector.alarm(name).state == "unacknowledged", "the reading was right after all"


def test_the_wait_begins_anew_at_another_level() -> None:
    collector = working()
    collector.poll(1200.0)
    collector.poll(1200.0)
    collector.hold(1600.0, 3)
    assert codes(collector) == [Because.JUMP_UNEXPLAINED]
    collector.poll(1600.0)
    assert codes(collector) == [Because.ROSE_AT_ONCE]


def test_a_jump_back_takes_the_doubt_away() -> None:
    collector = alive(working().hold(300.0, 5), 5, about_pa=300.0)
    assert codes(collector) == [Because.FELL_AT_ONCE]
    alive(collector, 10)
    assert codes(collector) == []


def test_a_jump_that_damping_spreads_is_told_when_it_is_over() -> None:
    collector = working()
    for dp_pa in (710.0, 640.0, 590.0, 550.0, 525.0, 510.0):
        collector.poll(dp_pa)
    alive(collector, 5, about_pa=505.0)
    assert codes(collector) == []
    alive(collector, 15, about_pa=505.0)
    assert codes(collector) == [Because.FELL_AT_ONCE]


def test_a_rise_as_large_in_an_hour_is_no_jump() -> None:
    collector = working()
    for step in range(160):
        collector.poll(800.0 + step)
    alive(collector, 30, about_pa=960.0)
    assert codes(collector) == []


def test_a_jump_into_cleaning_is_told_before_pulses_change_it() -> None:
    collector = working(chosen(DOUBTING, cleaning={"on_delay_s": 4.0}))
    for dp_pa in (900.0, 1000.0, 1060.0, 1090.0, 1110.0, 1120.0, 1120.0, 1120.0):
        collector.poll(dp_pa)
    assert collector.is_cleaning()
    assert codes(collector) == [Because.ROSE_AT_ONCE]


def test_the_blower_may_change_dp_as_fast_as_it_likes() -> None:
    collector = running(DOUBTING, blower_running=False)
    collector.hold(0.0, 30)
    collector.hold(700.0, 1, blower_running=True)
    alive(collector, 60)
    assert set(qualities(collector)) == {"good"}
    collector.poll(1300.0)
    collector.hold(0.0, 1, blower_running=False)
    collector.hold(0.0, 20)
    assert codes(collector) == []


def test_a_step_when_the_blower_stops_is_none() -> None:
    collector = working()
    collector.poll(930.0)
    collector.hold(500.0, 20, blower_running=False)
    assert codes(collector) == []


def test_a_damper_that_was_moved_explains_a_jump() -> None:
    collector = working().hold(300.0, 6)
    assert codes(collector) == [Because.FELL_AT_ONCE]
    assert collector.ask(RecordEntry(Entry.DAMPER_MOVED, "half open")).accepted
    collector.poll(301.0)
    assert codes(collector) == []


@given(st.lists(st.tuples(st.floats(0.0, 2500.0), st.integers(1, 30)), min_size=1, max_size=8))
def test_without_a_time_to_confirm_jumps_are_not_checked(levels: list[tuple[float, int]]) -> None:
    off = chosen(DOUBTING, signal_validation={"jump_confirm_s": 0.0, "no_dp_after_s": 0.0})
    collector = working(off)
    for pa, for_s in levels:
        collector.hold(pa, for_s)
        assert codes(collector) == []
    assert set(qualities(collector)) == {"good"}


# --- frozen


def test_a_reading_that_does_not_move_is_dead_and_cleaning_falls_back() -> None:
    collector = working(chosen(DOUBTING, cleaning={"fallback_delay_s": 0.0}))
    collector.hold(812.0, 1190)
    assert codes(collector) == []
    collector.hold(812.0, 111)
    assert codes(collector) == [Because.FROZEN]
    assert collector.state.sample.quality is Quality.FAILURE
    assert collector.is_cleaning()
    assert collector.because is Because.BAD_READING_FALLBACK
    assert collector.alarm(AlarmName.SENSING_LINE_SUSPECT).condition_active
    assert not collector.alarm(AlarmName.TRANSMITTER_FAULT).condition_active
    collector.poll(813.0)
    assert codes(collector) == []
    assert not collector.is_cleaning()


def test_frozen_checks_wake_nobody_and_break_no_promise() -> None:
    """Twelve times in the time that makes it frozen; the first poll then due makes the check."""
    collector = alive(working(), 100)
    promised, due_s = collector.last.state.quiet, collector.state.next_check_s
    assert promised is not None
    assert collector.t < due_s <= collector.t + 100.0
    assert promised.until_s is None or promised.until_s > due_s + 100.0
    alive(collector, 101)
    assert collector.last.state.quiet == promised
    assert collector.state.next_check_s == due_s + 100.0
    at_rest = running(DOUBTING, blower_running=False)
    assert at_rest.state.next_check_s == DOUBTING.signal_validation.zero_check_after_s + 1.0
    assert at_rest.hold(0.4, 140).state.next_check_s == inf


def test_one_that_moves_a_little_is_alive() -> None:
    collector = alive(working(), 4000)
    assert set(qualities(collector)) == {"good"}


def test_with_the_blower_off_nothing_need_move() -> None:
    collector = running(DOUBTING, blower_running=False).hold(0.0, 4000)
    assert codes(collector) == []


def test_a_blower_that_stops_ends_the_checks() -> None:
    collector = working().hold(812.0, 700)
    collector.hold(0.0, 30, blower_running=False)
    collector.hold(812.0, 800, blower_running=True)
    assert codes(collector) == []


def test_without_a_contact_only_movement_takes_the_doubt_away() -> None:
    """The proof by dP is lost with the reading, and must not bring the reading back."""
    collector = ready(DOUBTING).hold(812.0, 1400)
    assert codes(collector) == [Because.FROZEN]
    assert collector.state.blower.running is None
    collector.hold(812.0, 100)
    assert codes(collector) == [Because.FROZEN]
    collector.restart()
    collector.hold(812.0, 100)
    assert codes(collector) == [Because.FROZEN]
    collector.poll(815.0)
    assert codes(collector) == []


def test_a_lost_reading_is_not_one_that_does_not_move() -> None:
    collector = working()
    for _ in range(30):
        collector.hold(812.0, 40)
        collector.poll(LOST)
    assert Because.FROZEN not in codes(collector)


# --- with flow


@pytest.mark.parametrize(
    ("fan", "dp_pa", "code", "line"),
    [
        (FanPlace.DOWNSTREAM, -500.0, Because.NEGATIVE_WITH_FLOW, "clean side"),
        (FanPlace.UPSTREAM, -100.0, Because.NEGATIVE_WITH_FLOW, "dirty side"),
        (FanPlace.DOWNSTREAM, 0.0, Because.ZERO_WITH_FLOW, ""),
        (FanPlace.DOWNSTREAM, 12.0, Because.ZERO_WITH_FLOW, ""),
    ],
)
def test_no_dp_with_proved_flow_is_a_fault_and_never_clean_filters(
    fan: FanPlace, dp_pa: float, code: Because, line: str
) -> None:
    """Signs by arithmetic: fan downstream, dirty -500 Pa, clean -1200 Pa: an open low line reads
    -500; fan upstream, dirty +1500, clean +100: an open high line reads -100."""
    span = {"span_low_pa": -2500.0}
    collector = running(
        chosen(DOUBTING, dp=span, signal_validation={"fan": fan, "jump_pa": inf}),
        blower_running=False,
    )
    collector.hold(0.0, 5)
    collector.hold(dp_pa, 60, blower_running=True)
    assert codes(collector) == []
    collector.hold(dp_pa, 2)
    assert codes(collector) == [code]
    assert collector.state.sample.reasons[0].detail == line
    assert collector.state.sample.usable_pa is None
    collector.hold(dp_pa, 60)
    assert collector.because is Because.BAD_READING_FALLBACK
    collector.hold(20.0, 2)
    assert codes(collector) == [code]
    collector.hold(25.0, 1)
    assert codes(collector) == []


def test_swapped_lines_read_below_the_span() -> None:
    collector = running(DOUBTING, blower_running=False)
    collector.hold(0.0, 5)
    collector.hold(-700.0, 63, blower_running=True)
    assert codes(collector) == [Because.BEYOND_SPAN]
    assert collector.alarm(AlarmName.SENSING_LINE_SUSPECT).condition_active
    assert not collector.alarm(AlarmName.TRANSMITTER_FAULT).condition_active


def test_a_failed_loop_says_nothing_of_the_lines() -> None:
    collector = running(DOUBTING).hold(LOST, 200)
    assert not collector.alarm(AlarmName.SENSING_LINE_SUSPECT).condition_active
    assert collector.alarm(AlarmName.TRANSMITTER_FAULT).condition_active


def test_dp_that_is_away_for_a_moment_is_no_fault() -> None:
    calm = chosen(DOUBTING, signal_validation={"jump_pa": inf})
    collector = running(calm, blower_running=False)
    for _ in range(5):
        collector.hold(5.0, 50, blower_running=True)
        collector.hold(500.0, 2)
    assert codes(collector) == []


def test_without_a_contact_flow_is_not_proved() -> None:
    assert codes(ready(DOUBTING).hold(5.0, 200)) == []


def test_a_blower_that_stops_ends_the_wait() -> None:
    collector = running(DOUBTING, blower_running=False)
    collector.hold(5.0, 50, blower_running=True)
    collector.hold(5.0, 2, blower_running=False)
    collector.hold(5.0, 50, blower_running=True)
    assert codes(collector) == []


# --- at every stop


def stopped(collector: Collector, zero_pa: float, for_s: float = 135.0) -> Collector:
    return collector.hold(zero_pa, for_s, blower_running=False)


@pytest.mark.parametrize(
    ("zero_pa", "code", "quality"),
    [
        (0.0, None, "good"),
        (5.9, None, "good"),
        (-5.9, None, "good"),
        (6.1, Because.ZERO_DRIFT, "maintenance_required"),
        (-30.0, Because.ZERO_DRIFT, "maintenance_required"),
        (126.0, Because.NOT_TO_ZERO, "failure"),
        (700.0, Because.NOT_TO_ZERO, "failure"),
    ],
)
def test_zero_is_watched_at_every_stop(zero_pa: float, code: Because | None, quality: str) -> None:
    collector = stopped(working(), zero_pa, 128.0)
    assert codes(collector) == []
    collector.hold(zero_pa, 5)
    assert codes(collector) == ([] if code is None else [code])
    assert collector.state.sample.quality == quality
    assert collector.state.signal_validation.zero_pa == pytest.approx(zero_pa)
    assert collector.alarm(AlarmName.ZERO_DRIFT).condition_active is (code is Because.ZERO_DRIFT)
    collector.hold(0.0, 500)  # only one average at each stop, unless the reading was dead
    still = [] if code in (None, Because.NOT_TO_ZERO) else [code]
    assert codes(collector) == still


def test_zero_is_the_mean_of_ten_readings() -> None:
    collector = stopped(working(), 0.0, 119.0)
    for pa in (9.0, -9.0) * 5:
        collector.poll(pa)
    collector.hold(9.0, 5)
    assert collector.state.signal_validation.zero_pa == pytest.approx(0.0)


def test_the_next_stop_takes_the_doubt_away() -> None:
    collector = stopped(working(), 20.0)
    assert codes(collector) == [Because.ZERO_DRIFT]
    collector.hold(800.0, 1, blower_running=True)
    alive(collector, 60)
    assert codes(collector) == [Because.ZERO_DRIFT]
    assert collector.state.sample.usable_pa is not None
    assert collector.last.state.quiet is not None, (
        "a doubt that leaves the value usable is no unrest"
    )
    assert codes(stopped(collector, 0.0)) == []


def test_a_new_zero_takes_doubts_away() -> None:
    collector = stopped(working(), 10.0)
    assert codes(collector) == [Because.ZERO_DRIFT]
    assert collector.ask(SetZero()).accepted
    collector.hold(10.0, 10)
    assert codes(collector) == []
    assert collector.state.sample.pa == pytest.approx(0.0)


def test_a_stop_that_is_over_too_soon_says_nothing() -> None:
    collector = stopped(working(), 700.0, 125.0)
    collector.hold(700.0, 1, blower_running=True)
    assert collector.state.signal_validation.zero_check is None
    assert codes(collector) == []


def test_pulses_and_what_is_not_known_for_long_begin_the_average_anew() -> None:
    cleaning = {"downtime": True, "downtime_min_run_s": 0.0, "downtime_spin_down_s": 110.0}
    collector = stopped(working(chosen(DOUBTING, cleaning=cleaning)), 30.0, 200.0)
    assert codes(collector) == []
    collector.hold(30.0, 3)
    collector.hold(LOST, 6)
    collector.hold(30.0, 9)
    assert codes(collector) == []
    collector.poll(30.0)
    assert codes(collector) == [Because.ZERO_DRIFT]


def test_one_lost_reading_does_not() -> None:
    collector = stopped(working(), 30.0, 121.0)
    collector.hold(30.0, 5)
    collector.poll(LOST)
    collector.hold(30.0, 6)
    assert codes(collector) == [Because.ZERO_DRIFT]


def test_where_no_contact_proves_the_blower_off_there_is_no_check() -> None:
    assert codes(ready(DOUBTING).hold(30.0, 400)) == []


# --- together


def test_the_worst_doubt_comes_first_and_all_are_told() -> None:
    collector = stopped(working(), 20.0)
    collector.hold(0.0, 70, blower_running=True)
    assert codes(collector) == [Because.ZERO_WITH_FLOW, Because.ZERO_DRIFT]
    assert collector.state.sample.quality is Quality.FAILURE
    assert qualities(collector)[-2:] == ["maintenance_required", "failure"]


def test_a_doubt_does_not_cover_what_is_worse() -> None:
    collector = stopped(working(), 20.0)
    collector.poll(LOST)
    assert codes(collector) == [Because.READ_FAILED]
    collector.poll(20.0)
    assert codes(collector) == [Because.ZERO_DRIFT]


def test_doubts_outlive_a_restart() -> None:
    collector = stopped(working(), 700.0)
    collector.restart()
    collector.poll(800.0, blower_running=True)
    assert codes(collector) == [Because.NOT_TO_ZERO]


@given(
    st.integers(20, 300),
    st.integers(20, 400),  # pulses before the stop have settled
    st.floats(-30.0, 125.0),
    st.floats(126.0, 2000.0),
    st.booleans(),
)
@example(20, 20, 0.0, 500.0, True)  # in the next stop, before zero is checked
def test_a_reading_that_falls_to_zero_at_last_is_believed_again(
    plugged_s: int, off_s: int, low_pa: float, high_pa: float, again: bool
) -> None:
    """A line that was plugged is cleared, before or after zero is checked, in the same stop or in
    the next: ten readings suffice, and a zero can then be taken."""
    collector = stopped(working(), high_pa, 131.0)
    assert codes(collector) == [Because.NOT_TO_ZERO]
    if again:
        collector.hold(800.0, plugged_s, blower_running=True)
        collector.hold(high_pa, 1, blower_running=False)
    collector.hold(high_pa, off_s)
    assert collector.state.sample.quality is Quality.FAILURE
    checked_s = collector.state.blower.since_s + 120.0
    late_s = max(0.0, checked_s - collector.t - 1.0)  # readings before are no part of the average
    collector.hold(low_pa, 9 + (late_s if late_s < 10.0 else 0.0))
    assert collector.state.sample.quality is Quality.FAILURE
    collector.poll(low_pa)
    is_drift = collector.t >= checked_s and abs(low_pa) > 6.0
    assert codes(collector) == [Because.ZERO_DRIFT] * is_drift
    collector.hold(low_pa, 30)
    assert collector.ask(SetZero()).accepted is (abs(low_pa) <= 12.0)


def test_switched_off_nothing_is_doubted() -> None:
    off = chosen(DOUBTING, signal_validation={"frozen_after_s": 0.0, "no_dp_after_s": 0.0})
    collector = working(chosen(off, signal_validation={"zero_check_after_s": 0.0}))
    collector.hold(0.0, 2000)
    stopped(collector, 900.0, 300.0)
    assert not {*codes(collector)} & DEAD
    assert not collector.of(FindingChanged)
