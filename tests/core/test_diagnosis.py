"""What is made of the answers to pulses, on rows whose answers the test chooses."""

from copy import deepcopy
from functools import cache
from math import exp

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from core.driver import board, chosen
from core.rows import NOISE, REST_PA, Rows, diagnosing
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import CleaningStarted, PulseFired
from dustcake.core.inputs import Measured, Outcome
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Entry, Mode, RecordEntry, RecordFilterChange, SelectMode
from dustcake.core.setpoints import OnBadReading, Setpoints
from examples import examples

LEARNT_S = 2000
"""Work in which some ten runs teach what is usual."""


@cache
def _taught(setpoints: Setpoints) -> Rows:
    rows = Rows(setpoints).work(LEARNT_S)
    assert rows.told == []
    return rows


def taught(setpoints: Setpoints | None = None) -> Rows:
    """Rows that have worked in order for a while."""
    return deepcopy(_taught(setpoints or diagnosing()))


def pulses_of(rows: Rows, valve: int, since_s: float) -> int:
    return sum(p.valve == valve and t > since_s for t, p in rows.collector.when(PulseFired))


# --- valves


def test_rows_in_order_tell_nothing() -> None:
    rows = Rows().work(8000)
    assert (rows.told, rows.doubts()) == ([], [])
    assert len(rows.collector.of(CleaningStarted)) > 20


def test_a_valve_without_a_dip_does_not_fire() -> None:
    rows = taught()
    rows.drop_pa[3] = rows.dip_pa[3] = 0.0
    since_s = rows.collector.t
    while not rows.findings:
        rows.work(10)
        assert pulses_of(rows, 3, since_s) < 7
    assert rows.findings == [("valve_does_not_fire", 3)]
    assert rows.told[0][3] is Because.NO_HEADER_DIP
    assert rows.collector.alarm(AlarmName.VALVE_DOES_NOT_FIRE).condition_active
    rows.work(3000)
    assert rows.findings == [("valve_does_not_fire", 3)], "and it is not the row, too"
    rows.drop_pa[3], rows.dip_pa[3] = 60.0, 60_000.0
    rows.work(4000)
    assert rows.findings == []
    assert not rows.collector.alarm(AlarmName.VALVE_DOES_NOT_FIRE).condition_active


def worked(
    poll_s: float, interval_s: float, recovery_s: float, *, linear: bool, dead: int, for_s: float
) -> Rows:
    """A header that recovers in its time, whatever the polls and pulses are: by then (linear), or
    by all but a third (exponential)."""
    rows = Rows(diagnosing(pulsing={"interval_s": interval_s}, stale_after_s=5 * poll_s))
    collector, fired_s = rows.collector, -1e9
    if dead:
        rows.drop_pa[dead] = 0.0
    for n in range(round(for_s / poll_s)):
        t = (n + 1) * poll_s
        collector.advance(t)
        if rows.fired_at is not None:
            fired_s, rows.fired_at = rows.fired_at, None
        part = (t - fired_s) / recovery_s
        left = max(0.0, 1.0 - part) if linear else exp(-part)
        dip_pa = left * (0.0 if rows.last_valve == dead else 60_000.0)
        noise = NOISE[n % len(NOISE)]
        collector.header = Measured(REST_PA - dip_pa + 100 * noise)
        rows.dp_pa += 2.0 * poll_s
        collector.poll(rows.dp_pa + noise, after_s=0.0, blower_running=True)
    return rows


@pytest.mark.parametrize(
    ("linear", "quickest_s", "slowest_s"), [(False, 0.5, 4.0), (True, 1.5, 8.0)]
)
def test_a_valve_in_order_is_not_accused_however_polls_and_pulses_meet(
    linear: bool, quickest_s: float, slowest_s: float
) -> None:
    @examples(25)
    @given(
        poll_s=st.sampled_from([0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0]),
        interval_s=st.sampled_from([2.0, 5.0, 7.5, 10.0, 15.0, 15.5]),
        recovery_s=st.floats(quickest_s, slowest_s),
    )
    @example(poll_s=2.0, interval_s=15.0, recovery_s=0.7 if not linear else 2.2)
    @example(poll_s=2.0, interval_s=15.5, recovery_s=0.7 if not linear else 2.2)
    def one(poll_s: float, interval_s: float, recovery_s: float) -> None:
        rows = worked(poll_s, interval_s, recovery_s, linear=linear, dead=0, for_s=1500)
        assert [each for each in rows.told if each[0] == "valve_does_not_fire"] == []

    one()


@pytest.mark.parametrize("poll_s", [1.0, 2.0])
def test_one_that_does_not_fire_is_still_found(poll_s: float) -> None:
    rows = worked(poll_s, 15.0, 2.2, linear=False, dead=3, for_s=4000)
    assert {each[:2] for each in rows.told} == {("valve_does_not_fire", 3)}


def test_a_reading_that_comes_late_is_no_dip() -> None:
    rows = worked(5.0, 10.0, 1.0, linear=False, dead=0, for_s=800)
    assert len(rows.collector.pulses) > 20
    assert all(valve.dip is None for valve in rows.collector.state.pulse_response.valves)


def test_without_a_header_transmitter_dp_tells() -> None:
    rows = taught(diagnosing(header=False))
    rows.drop_pa[1] = 0.0
    rows.work(2000)
    assert [(name, valve, why) for name, valve, _, why in rows.told] == [
        ("valve_does_not_fire", 1, Because.NO_DP_RESPONSE)
    ]
    rows.drop_pa[1] = 60.0
    rows.work(2500)
    assert rows.findings == []


def test_no_valve_at_all_is_one_finding() -> None:
    rows = taught()
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 0.0)
    rows.dip_pa = dict.fromkeys(rows.dip_pa, 0.0)
    rows.work(300)
    assert rows.findings == [("valve_does_not_fire", 0)]
    assert rows.told[0][3] is Because.NO_HEADER_DIP_AT_ALL
    assert rows.doubts() == [], "dP cannot answer to pulses that are none"
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 60.0)
    rows.dip_pa = dict.fromkeys(rows.dip_pa, 60_000.0)
    rows.work(600)
    assert rows.findings == []


def test_a_header_transmitter_that_shows_no_dip_while_rows_answer_accuses_no_valve() -> None:
    rows = taught()
    rows.dip_pa = dict.fromkeys(rows.dip_pa, 0.0)
    rows.work(8000)
    assert rows.told == []


def test_a_row_that_does_not_answer_although_its_valve_fires() -> None:
    rows = taught()
    rows.drop_pa[4] = 0.0
    rows.work(2500)
    assert rows.findings == [("row_not_recovering", 4)]
    assert rows.told[0][3] is Because.ROW_NOT_CLEANED
    assert rows.collector.alarm(AlarmName.ROW_NOT_RECOVERING).condition_active
    rows.dip_pa[4] = 0.0  # now the valve fails as well, which explains the row
    rows.work(4000)
    assert rows.findings == [("valve_does_not_fire", 4)]
    rows.drop_pa[4], rows.dip_pa[4] = 60.0, 60_000.0
    rows.work(5000)
    assert rows.findings == []


def test_a_row_that_always_answered_less_is_judged_by_its_own_measure() -> None:
    rows = Rows()
    rows.drop_pa[2], rows.rise_pa = 35.0, 0.5
    rows.work(8000)
    assert rows.told == []


@pytest.mark.parametrize("order", [(1,), (2, 1)])
def test_few_valves(order: tuple[int, ...]) -> None:
    rows = taught(diagnosing(pulsing={"order": order}))
    rows.drop_pa[1] = rows.dip_pa[1] = 0.0
    rows.work(2500)
    assert ("valve_does_not_fire", 1 if len(order) > 1 else 0) in rows.findings


def test_a_pulse_that_failed_is_no_evidence() -> None:
    rows = taught()
    rows.outcome = Outcome.FAILED
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 0.0)
    rows.work(2000)
    assert rows.told == []
    assert rows.collector.state.pulse_response.observation is None


def test_lost_readings_are_no_evidence() -> None:
    rows = taught()
    rows.collector.ask(SelectMode(Mode.TIMED))
    rows.lost = True
    rows.work(1500)
    assert rows.told == []


def test_dp_at_or_below_zero_has_no_shares() -> None:
    rows = Rows()
    rows.collector.ask(SelectMode(Mode.TIMED))
    rows.dp_pa, rows.rise_pa, rows.drop_pa = -20.0, 0.0, dict.fromkeys(rows.drop_pa, 0.0)
    rows.work(400)
    assert (rows.told, rows.collector.state.pulse_response.means) == ([], 0)


def test_a_sequencer_board_is_not_diagnosed() -> None:
    rows = Rows(chosen(board(pulse_response={"response_s": 10.0}), fitted={"blower_running": True}))
    rows.work(1000)
    assert rows.collector.state.pulse_response.observation is None


def test_switched_off_no_look_is_taken() -> None:
    rows = Rows(diagnosing(pulse_response={"response_s": 0.0}))
    rows.drop_pa[3] = rows.dip_pa[3] = 0.0
    rows.work(6000)
    assert rows.told == []


# --- no ripple


def test_a_reading_that_answers_to_no_row_is_dead() -> None:
    rows = taught()
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 0.0)
    rows.rise_pa = 0.2
    rows.dp_pa = 999.0
    rows.work(600)
    assert rows.doubts() == [Because.NO_RIPPLE]
    assert rows.findings == []
    assert rows.collector.because is Because.BAD_READING_FALLBACK
    assert rows.collector.alarm(AlarmName.SENSING_LINE_SUSPECT).condition_active
    rows.work(500)
    assert rows.doubts() == [Because.NO_RIPPLE]
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 60.0)
    rows.work(600)
    assert rows.doubts() == []


def test_a_reading_that_falls_to_zero_in_time_does_not_come_through_a_plug() -> None:
    rows = taught()
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 0.0)
    rows.rise_pa = 0.2
    rows.dp_pa = 999.0
    rows.work(600)
    assert rows.doubts() == [Because.NO_RIPPLE]
    rows.rise_pa = rows.dp_pa = 0.0
    rows.work(150, blower_running=False)
    assert rows.doubts() == []


def test_filters_that_are_clean_already_need_not_answer() -> None:
    """In timed cleaning with little dust there is nothing to take off."""
    rows = taught()
    rows.collector.ask(SelectMode(Mode.TIMED))
    rows.rise_pa, rows.dp_pa = 0.0, 500.0
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 0.0)
    rows.work(4000)
    assert (rows.doubts(), rows.findings) == ([], [])


# --- header


def test_a_header_that_does_not_recover_in_the_interval() -> None:
    rows = taught()
    rows.lost_pa = 40_000.0
    for _ in range(20):
        if rows.findings:
            break
        rows.work(60)
        if not rows.collector.is_cleaning():
            rows.header_pa = REST_PA
    assert rows.findings == [("header_slow", 0)]
    assert rows.told[0][3] is Because.HEADER_SLOW
    assert rows.collector.alarm(AlarmName.HEADER_NOT_RECOVERING).condition_active
    rows.lost_pa, rows.header_pa = 0.0, REST_PA
    rows.work(400)
    assert rows.findings == []


def test_a_header_that_does_not_fill_at_all() -> None:
    rows = taught()
    rows.lost_pa, rows.dip_pa = 60_000.0, dict.fromkeys(rows.dip_pa, 0.0)
    rows.work(300)
    assert ("header_not_refilled", 0) in rows.findings
    assert rows.told[0][3] is Because.HEADER_NOT_REFILLED
    rows.lost_pa, rows.header_pa = 0.0, REST_PA
    rows.dip_pa = dict.fromkeys(rows.dip_pa, 60_000.0)
    rows.work(600)
    assert rows.findings == []


def turned_down(rows: Rows, share: float) -> Rows:
    """A regulator is turned by hand, not at once."""
    while rows.header_pa > share * REST_PA:
        rows.header_pa -= 0.02 * REST_PA
        rows.work(1)
    return rows


def test_a_header_that_is_weak_at_rest() -> None:
    rows = turned_down(taught(), 0.8).work(1000)
    assert rows.findings == [("header_weak", 0)]
    rows.header_pa = REST_PA
    rows.work(2500)
    assert rows.findings == []


def test_a_regulator_set_lower_for_good_is_not_told_for_ever() -> None:
    rows = turned_down(taught(), 0.85).work(8000)
    assert rows.told[0][3] is Because.HEADER_WEAK
    assert rows.findings == []


def test_a_valve_that_stays_open_after_its_pulse_is_named() -> None:
    rows = taught()
    rows.lost_pa = 350_000.0
    rows.work(250)
    last = rows.collector.state.pulsing.last_valve
    assert last is not None
    assert rows.findings == [("valve_stuck_open", last)]
    assert rows.told[0][3] is Because.HEADER_EMPTIED_BY_VALVE
    assert rows.collector.alarm(AlarmName.VALVE_STUCK_OPEN).condition_active
    rows.lost_pa, rows.header_pa = 0.0, REST_PA
    rows.work(400)
    assert rows.findings == []


def test_the_second_valve_is_not_blamed_for_the_first() -> None:
    rows = taught(diagnosing(header_limits={"min_pa": 50_000.0}))
    rows.lost_pa = 350_000.0
    rows.work(150)
    while not rows.findings:
        rows.work(1)
    rows.lost_pa = 0.0
    rows.work(400)
    assert [name for name, _ in rows.findings].count("valve_stuck_open") == 1


def test_a_header_that_empties_with_no_valve_commanded() -> None:
    rows = taught()
    while rows.collector.is_cleaning() or rows.dp_pa > 900.0:
        rows.work(1)
    rows.work(20)
    rows.header_pa = 300_000.0
    rows.work(1)
    assert rows.findings == [("valve_stuck_open", 0)]
    assert rows.told[0][3] is Because.HEADER_EMPTIED


def test_one_that_leaks_away_is_low_but_no_valve_is_to_blame() -> None:
    rows = taught()
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 300.0)
    rows.rise_pa = 0.0
    for _ in range(300):
        rows.header_pa -= 1000.0
        rows.work(1)
    assert rows.collector.alarm(AlarmName.HEADER_PRESSURE_LOW).condition_active
    assert rows.findings == []


def test_a_fall_that_leaves_enough_is_none() -> None:
    rows = taught()
    while rows.collector.is_cleaning() or rows.dp_pa > 900.0:
        rows.work(1)
    rows.collector.ask(SelectMode(Mode.OFF))
    rows.work(20)
    rows.lost = True
    rows.work(1)
    rows.lost, rows.header_pa = False, 0.86 * REST_PA
    rows.work(1)
    assert rows.findings == []


def test_a_header_that_is_lost_in_a_look_is_no_evidence() -> None:
    rows = taught()
    rows.header_lost = True
    rows.work(2000)
    assert rows.told == []


def test_a_header_vented_with_the_blower_off_is_work_being_done() -> None:
    rows = taught()
    rows.rise_pa = rows.dp_pa = 0.0
    rows.work(60, blower_running=False)
    rows.header_pa = 0.0
    rows.work(60, blower_running=False)
    assert rows.findings == []


# --- torn


def fallen(rows: Rows, dp_pa: float = 400.0) -> Rows:
    while rows.collector.is_cleaning():
        rows.work(1)
    rows.work(20)
    rows.dp_pa, rows.rise_pa = dp_pa, 0.0
    return rows


def test_dp_below_what_filters_come_back_to() -> None:
    rows = fallen(taught())
    rows.work(595)
    assert rows.findings == []
    rows.work(10)
    assert rows.findings == [("filter_torn", 0)]
    assert rows.told[0][3] is Because.DP_BELOW_CLEANED
    assert rows.collector.alarm(AlarmName.FILTER_TORN).condition_active
    rows.dp_pa = 480.0
    rows.work(60)
    assert rows.findings == [("filter_torn", 0)], "inside the deadband"
    rows.dp_pa = 700.0
    rows.work(2)
    assert rows.findings == []


def test_a_filter_that_comes_off_at_a_pulse_names_its_row() -> None:
    rows = taught()
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 600.0)
    rows.rise_pa = 0.5
    while not rows.collector.is_cleaning():
        rows.work(1)
    rows.rise_pa = 0.0
    rows.work(650)
    last = rows.collector.state.pulsing.last_valve
    assert rows.findings == [("filter_torn", last)]
    assert rows.told[0][3] is Because.DP_BELOW_CLEANED_ROW


def test_low_dp_for_a_while_is_no_hole() -> None:
    rows = fallen(taught()).work(500)
    rows.dp_pa = 700.0
    rows.work(5)
    rows.dp_pa = 400.0
    rows.work(500)
    assert rows.findings == []


def test_a_hole_is_found_although_replies_are_lost() -> None:
    rows = fallen(taught(diagnosing(cleaning={"on_bad_reading": OnBadReading.HOLD})))
    for _ in range(140):
        rows.work(4)
        rows.lost = True
        rows.work(1)
        rows.lost = False
    assert rows.findings == [("filter_torn", 0)]


def test_nor_is_a_blower_that_stops() -> None:
    rows = fallen(taught()).work(500)
    rows.work(10, blower_running=False)
    rows.work(595)
    assert rows.findings == []
    rows.work(10)
    assert rows.findings == [("filter_torn", 0)]


def test_rows_cleaned_without_flow_may_come_back_lower() -> None:
    cleaning = {"downtime": True, "downtime_spin_down_s": 5.0, "downtime_min_run_s": 0.0}
    rows = taught(diagnosing(cleaning=cleaning))
    rows.rise_pa = rows.dp_pa = 0.0
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 0.0)
    rows.work(200, blower_running=False)
    rows.drop_pa = dict.fromkeys(rows.drop_pa, 60.0)
    rows.dp_pa = 400.0
    rows.work(2000)
    assert rows.findings == []
    rows.rise_pa = 2.0
    while rows.dp_pa < 950.0:
        rows.work(1)
    fallen(rows).work(700)
    assert rows.findings == [("filter_torn", 0)]


@pytest.mark.parametrize(
    "request_", [RecordFilterChange("new set"), RecordEntry(Entry.DAMPER_MOVED, "")]
)
def test_other_filters_or_another_flow_begin_anew(
    request_: RecordFilterChange | RecordEntry,
) -> None:
    rows = fallen(taught()).work(700)
    assert rows.findings == [("filter_torn", 0)]
    assert rows.collector.ask(request_).accepted
    assert rows.findings == []
    rows.work(1000)
    assert rows.findings == []
    assert rows.collector.state.pulse_response.header.dips > 0, "the valves are as they were"


def test_new_filters_take_a_blocked_row_with_them() -> None:
    rows = taught()
    rows.drop_pa[4] = 0.0
    rows.work(2500)
    assert rows.findings == [("row_not_recovering", 4)]
    assert rows.collector.ask(RecordFilterChange("new set")).accepted
    assert rows.findings == []


# --- restarts


def test_what_was_learnt_outlives_a_restart() -> None:
    rows = taught()
    rows.drop_pa[3] = rows.dip_pa[3] = 0.0
    rows.work(3000)
    before = rows.collector.state.pulse_response
    rows.collector.restart()
    after = rows.collector.state.pulse_response
    assert rows.findings == [("valve_does_not_fire", 3)]
    assert (after.valves, after.header, after.response) == (
        before.valves,
        before.header,
        before.response,
    )
    assert (after.observation, after.last_s, after.cleaned.low_s) == (None, None, None)
    rows.work(600)
    assert rows.findings == [("valve_does_not_fire", 3)]


def test_fewer_valves_after_a_restart_are_none_too_many() -> None:
    rows = taught()
    rows.drop_pa[3] = rows.dip_pa[3] = 0.0
    rows.work(3000)
    rows.collector.restart(settings=diagnosing(pulsing={"order": (2, 1)}))
    assert len(rows.collector.state.pulse_response.valves) == 2
    assert rows.findings == []
    rows.collector.restart(settings=diagnosing(pulsing={"order": (2, 1, 3)}))
    assert len(rows.collector.state.pulse_response.valves) == 3
