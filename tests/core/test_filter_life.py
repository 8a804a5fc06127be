"""Residual dP as it is read after cleaning, and what becomes of it through the life of filters."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from core.driver import LOST, Collector, answering, board, chosen, ready, with_header
from dustcake.core.commands import FireValve
from dustcake.core.events import CleaningStopped, FilterLifeChanged
from dustcake.core.filter_life import ageing as filter_life
from dustcake.core.filter_life.forecast import Outlook
from dustcake.core.filter_life.state import FilterLife
from dustcake.core.inputs import Measured, Outcome, Signal
from dustcake.core.requests.kinds import Entry, Mode, RecordEntry, RecordFilterChange, SelectMode
from dustcake.core.setpoints import Setpoints

# Four valves, 10 s apart; a run begins at 1000 Pa and ends at 750.
WHOLE = chosen(cleaning={"finish_cycle": True}, seasoning_h=0.0)
SERVED = chosen(WHOLE, fitted={"blower_running": True})


def readings(collector: Collector) -> list[float]:
    return [pa for _, pa in collector.state.filter_life.residuals.readings]


def clean(collector: Collector, residual: float | Signal = 700.0, high_pa: float = 1100.0) -> None:
    """One run of one full cycle: dP falls to low with the first pulse, and is ``residual`` when
    the pulse after the last would be due."""
    collector.hold(high_pa, 1)
    assert collector.is_cleaning()
    collector.hold(740.0, 35)
    collector.hold(residual, 10)
    collector.hold(800.0, 5)
    assert not collector.is_cleaning()


def test_it_is_read_once_each_valve_has_pulsed_when_the_next_pulse_would_be_due() -> None:
    collector = ready(WHOLE)
    clean(collector, 712.0)
    assert readings(collector) == [712.0]
    conditions = collector.state.filter_life.residuals.conditions
    assert [(c.kind, c.full_cycle, c.low_pa, c.high_pa) for c in conditions] == [
        ("on_demand", True, 750.0, 1000.0)
    ]


def test_where_a_reply_is_lost_just_then_the_next_is_read() -> None:
    collector = ready(WHOLE).hold(1100.0, 1)
    collector.hold(740.0, 35).hold(712.0, 3).hold(LOST, 3).hold(713.0, 5)
    assert readings(collector) == [713.0]


def test_where_replies_are_lost_for_long_none_is_read() -> None:
    collector = ready(WHOLE).hold(1100.0, 1)
    collector.hold(740.0, 35).hold(712.0, 3).hold(LOST, 10).hold(713.0, 5)
    assert readings(collector) == []


def test_in_a_long_run_only_the_first_cycle_is_read() -> None:
    """What later cycles leave is another residual: they find cleaner filters."""
    collector = ready(chosen(WHOLE, cleaning={"max_cycles": 9})).hold(1100.0, 36)
    collector.hold(960.0, 90)
    assert readings(collector) == [960.0]


def test_what_a_shorter_run_leaves_is_kept_apart() -> None:
    collector = ready(chosen(seasoning_h=0.0))
    collector.hold(1100.0, 3).hold(740.0, 20)
    assert readings(collector) == [740.0]
    assert [c.full_cycle for c in collector.state.filter_life.residuals.conditions] == [False]


def test_a_run_that_ended_late_leaves_no_residual() -> None:
    """The header was low for minutes after its only pulse: dust has settled on the filters."""
    collector = ready(with_header(seasoning_h=0.0)).hold(1100.0, 3)
    collector.header = Measured(200_000.0)
    collector.hold(1100.0, 60).hold(740.0, 20)
    assert collector.of(CleaningStopped)[-1].pulses == 1
    assert readings(collector) == []


def test_a_run_cut_short_leaves_no_residual() -> None:
    collector = ready(chosen(fitted={"door_open": True}), door_open=False)
    collector.hold(1100.0, 3).hold(1100.0, 60, door_open=True)
    assert readings(collector) == []


def test_in_timed_cleaning_each_cycle_is_one_reading() -> None:
    setpoints = chosen(WHOLE, cleaning={"mode": Mode.TIMED})
    collector = ready(setpoints).hold(600.0, 3700)
    (point,) = collector.state.filter_life.residuals.points
    # A cycle takes a minute, and a point wants no more than sixteen readings an hour.
    assert 14 <= point.count <= 17
    assert point.pa == 600.0


def test_a_boards_cycle_is_its_rated_time() -> None:
    collector = ready(board(cleaning={"finish_cycle": True}))
    collector.hold(1100.0, 30).hold(720.0, 20)
    assert readings(collector) == [720.0]
    assert collector.state.filter_life.residuals.conditions[0].full_cycle


def test_a_board_in_timed_mode_is_read_each_cycle() -> None:
    collector = ready(board(cleaning={"mode": Mode.TIMED}, stale_after_s=7200.0))
    collector.poll(640.0)
    collector.wait(3700.0)
    (point,) = collector.state.filter_life.residuals.points
    assert (14 <= point.count <= 17, point.pa) == (True, 640.0)


@pytest.mark.parametrize(
    ("why", "residual", "contacts"),
    [
        ("no reading", LOST, {}),
        ("blower stopped", 700.0, {"blower_running": False}),
        ("blower not known", 700.0, {"blower_running": None}),
    ],
)
def test_only_good_dp_with_proved_flow_counts(
    why: str, residual: float | Signal, contacts: dict[str, Any]
) -> None:
    collector = ready(SERVED, blower_running=True)
    collector.hold(1100.0, 1).hold(740.0, 32)
    collector.hold(residual, 20, **contacts)
    assert readings(collector) == [], why


def test_pulses_that_fail_clean_nothing() -> None:
    collector = ready(WHOLE)
    collector.outcome = answering(FireValve=Outcome.FAILED)
    collector.hold(1100.0, 1).hold(740.0, 120)
    assert len(collector.sent(FireValve)) >= 4
    assert readings(collector) == []


def test_downtime_cleaning_has_no_flow_to_read_with() -> None:
    setpoints = chosen(
        SERVED, cleaning={"downtime": True, "downtime_min_run_s": 0.0, "downtime_spin_down_s": 5.0}
    )
    collector = ready(setpoints, blower_running=True).hold(800.0, 60)
    collector.hold(3.0, 200, blower_running=False)
    assert collector.pulses
    collector.hold(700.0, 20, blower_running=True)
    assert readings(collector) == []


def test_it_is_not_read_after_a_restart_in_between() -> None:
    collector = ready(WHOLE)
    assert collector.hold(1100.0, 1).hold(740.0, 30).state.filter_life.due is not None
    collector.restart()
    collector.hold(740.0, 60)
    assert collector.state.filter_life.due is None
    assert readings(collector) == []


@pytest.mark.parametrize(
    "changed",
    [
        chosen(WHOLE, cleaning={"high_pa": 1050.0}),
        chosen(WHOLE, cleaning={"low_pa": 745.0}),
    ],
)
def test_other_set_points_make_another_level(changed: Setpoints) -> None:
    collector = ready(WHOLE)
    clean(collector)
    collector.restart(settings=changed)
    collector.hold(800.0, 300)
    clean(collector)
    residuals = collector.state.filter_life.residuals
    assert (len(residuals.conditions), residuals.level) == (2, 1)
    assert [p.level for p in residuals.points] == [0]


def test_another_mode_makes_another_level_and_back_is_the_first() -> None:
    collector = ready(WHOLE)
    clean(collector)
    collector.hold(800.0, 300).ask(SelectMode(Mode.TIMED))
    collector.hold(640.0, 80)
    collector.ask(SelectMode(Mode.ON_DEMAND))
    collector.hold(800.0, 300)
    clean(collector)
    assert collector.state.filter_life.residuals.level == 0
    assert [c.kind for c in collector.state.filter_life.residuals.conditions] == [
        "on_demand",
        "timed",
    ]


def test_a_new_zero_makes_another_level_if_it_is_large() -> None:
    collector = ready(WHOLE)
    levels = []
    for offset_pa in (2.0, 40.0):
        zero = replace(collector.state.zero, offset_pa=offset_pa)
        state = replace(collector.state, zero=zero, quiet=None)
        collector = Collector(WHOLE, state=state).hold(800.0, 300)
        clean(collector, 712.0)
        levels.append(collector.state.filter_life.residuals.level)
    assert levels == [0, 1]


def test_a_moved_damper_makes_another_level() -> None:
    collector = ready(WHOLE)
    clean(collector)
    assert collector.ask(RecordEntry(Entry.DAMPER_MOVED)).accepted
    collector.hold(800.0, 300)
    clean(collector)
    assert collector.state.filter_life.residuals.level == 1


@pytest.mark.parametrize("valves", [(), (1, 2, 3, 4)])
def test_a_recorded_filter_change_begins_a_new_life(valves: tuple[int, ...]) -> None:
    collector = ready(WHOLE)
    clean(collector)
    collector.hold(800.0, 400)
    assert collector.ask(RecordFilterChange("all", valves)).accepted
    life, blower = collector.state.filter_life, collector.state.blower
    assert life == FilterLife(blower.total_until_s(collector.t))
    assert life.hours(blower.total_until_s(collector.t)) == 0.0
    assert life.hours(blower.total_until_s(collector.t + 7200.0)) == 2.0


def test_new_filters_in_one_row_make_another_level_of_the_same_life() -> None:
    collector = ready(WHOLE)
    clean(collector)
    collector.hold(800.0, 300).ask(RecordFilterChange("torn", (2,)))
    clean(collector)
    life = collector.state.filter_life
    assert life.residuals.level == 1
    assert life.installed_s == 0.0


def test_a_filter_change_that_is_refused_changes_nothing() -> None:
    collector = ready(WHOLE)
    clean(collector)
    assert not collector.ask(RecordFilterChange("", (9,))).accepted
    assert readings(collector) == [700.0]


# --- through a life


def lived(hours: int, rise_pa_per_h: float, setpoints: Setpoints = SERVED) -> Collector:
    """Residual dP rises from 400 Pa, with a timed cycle a few times an hour."""
    slow = chosen(
        setpoints, stale_after_s=900.0, cleaning={"mode": Mode.TIMED, "timed_interval_s": 100.0}
    )
    collector = ready(slow, blower_running=True)
    for i in range(hours * 9):
        wobble = (i * 7919 % 13 - 6) * 0.5
        collector.poll(400.0 + rise_pa_per_h * i / 9 + wobble, after_s=400.0)
    return collector


def test_a_rising_residual_becomes_a_range_that_is_told() -> None:
    collector = lived(120, 2.0)
    now = collector.state.filter_life.forecast
    assert now is not None
    assert now.outlook is Outlook.RANGE
    assert now.low_h is not None
    assert now.high_h is not None
    assert now.low_h < (1250.0 - 400.0) / 2.0 - now.hours < now.high_h
    told = collector.of(FilterLifeChanged)
    assert told[-1].outlook == "range"
    assert told[-1].low_h is not None
    ages = [each.hours for each in told]
    # Each change of outlook is told, and then one a day of running time.
    assert all(b.outlook != a.outlook or b.hours - a.hours >= 24.0 for a, b in pairwise(told))
    assert 3 <= len(ages) <= 8


def test_nothing_is_said_while_new_filters_season() -> None:
    collector = lived(45, 2.0, chosen(SERVED, seasoning_h=40.0))
    now = collector.state.filter_life.forecast
    assert now is not None
    assert now.outlook is Outlook.NOT_ENOUGH_DATA
    assert now.points <= 5
    assert collector.of(FilterLifeChanged) == []


def test_use_is_known_after_some_days_and_follows_the_last_weeks() -> None:
    life = FilterLife()
    hours = 0.0
    for day in range(100):
        hours += 8.0 if day < 50 else 16.0
        use = filter_life._with_use(life.use, 1.8e9 + day * 86_400.0, hours)
        life = replace(life, use=use)
        if day < 3:
            assert life.use_h_per_day() is None
    assert life.use_h_per_day() == pytest.approx(16.0)
    assert len(life.use) <= 5


def test_a_clock_set_back_begins_the_use_anew_and_an_unknown_one_changes_nothing() -> None:
    use = ((1.8e9, 10.0), (1.8e9 + 6e5, 60.0))
    assert filter_life._with_use(use, 1.7e9, 61.0) == ((1.7e9, 61.0),)
    assert filter_life._with_use(use, None, 61.0) == use


def test_blower_hours_add_up_through_stops_restarts_and_downtime_cleaning() -> None:
    setpoints = chosen(
        SERVED, cleaning={"downtime": True, "downtime_min_run_s": 0.0, "downtime_spin_down_s": 5.0}
    )
    collector = Collector(setpoints, blower_running=True).hold(800.0, 101)
    collector.hold(3.0, 200, blower_running=False).hold(800.0, 101, blower_running=True)
    assert collector.state.blower.total_until_s(collector.t) == 201.0
    collector.restart()
    assert collector.state.blower.total_until_s(collector.t) == 201.0
    collector.hold(800.0, 51)
    assert collector.state.blower.total_until_s(collector.t) == 251.0
