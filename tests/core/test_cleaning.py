"""When a cleaning run starts and stops, and the reason shown for it."""

from itertools import pairwise

import pytest

from core.driver import (
    ALARM_OFF_S,
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
from dustcake.core.alarms.names import AlarmName
from dustcake.core.cleaning.state import RunKind
from dustcake.core.commands import Command, FireValve
from dustcake.core.events import CleaningStarted, CleaningStopped
from dustcake.core.inputs import Measured, Outcome
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, SelectMode
from dustcake.core.setpoints import OnBadReading, Setpoints
from dustcake.core.state import Phase

# High set point 1000 Pa (at or above), low 750 Pa (at or below); computed by hand.
TRACE = [600, 900, 999.9, 1000, 980, 760, 750.1, 750, 760, 999, 1001, 749]
CLEANS = [0, 0, 0, 1, 1, 1, 1, 0, 0, 0, 1, 0]


def stops(collector: Collector) -> list[Because]:
    return [body.reason.code for body in collector.of(CleaningStopped)]


def starts(collector: Collector) -> list[tuple[str, Because]]:
    return [(body.kind, body.reason.code) for body in collector.of(CleaningStarted)]


@pytest.mark.parametrize("setpoints", [BASE, board()], ids=["valves", "sequencer board"])
def test_hysteresis(setpoints: Setpoints) -> None:
    collector = ready(setpoints)
    cleans = []
    for dp in TRACE:
        collector.poll(dp)
        cleans.append(int(collector.is_cleaning()))
    assert cleans == CLEANS


def test_start_and_stop_carry_their_numbers() -> None:
    collector = ready()
    for dp in (1003.0, 900.0, 748.0):
        collector.poll(dp)
    start, stop = collector.of(CleaningStarted)[0], collector.of(CleaningStopped)[0]
    assert (start.dp_pa, dict(start.reason.values)) == (1003.0, {"dp_pa": 1003.0, "high_pa": 1000})
    assert (stop.dp_pa, dict(stop.reason.values)) == (748.0, {"dp_pa": 748.0, "low_pa": 750.0})
    assert (stop.pulses, stop.duration_s) == (1, 2.0)


# --- on-delay


def test_the_on_delay_is_waited_for_in_full() -> None:
    collector = ready(chosen(cleaning={"on_delay_s": 4.0}))
    collector.poll(1000.0)
    since_s = collector.t
    assert (collector.because, collector.last.state.decision.phase) == (
        Because.ON_DELAY,
        Phase.WAITING,
    )
    collector.advance(since_s + 3.999)
    assert not collector.is_cleaning()
    collector.advance(since_s + 4.0)
    assert collector.is_cleaning()


def test_dp_must_be_high_for_the_whole_on_delay() -> None:
    collector = ready(chosen(cleaning={"on_delay_s": 4.0}))
    for dp in (1100, 1100, 1100, 999.9, 1100, 1100, 1100, 1100):
        collector.poll(dp)
        assert not collector.is_cleaning()
    collector.poll(1100)
    assert collector.is_cleaning()


# --- finishing the cycle


@pytest.mark.parametrize(
    ("why", "finish", "low_after_s", "pulses"),
    [
        ("stops at once", False, 15, 2),
        ("the second of four valves has fired: two more", True, 15, 4),
        ("the fourth has just fired: no more", True, 35, 4),
        ("the fifth has fired: its whole cycle", True, 45, 8),
    ],
)
def test_finishing_the_cycle(why: str, finish: bool, low_after_s: int, pulses: int) -> None:
    collector = ready(chosen(cleaning={"finish_cycle": finish}))
    collector.hold(1100.0, low_after_s).hold(700.0, 100)
    assert len(collector.pulses) == pulses, why
    assert stops(collector) == [Because.LOW_REACHED]


def test_a_cycle_is_finished_even_if_dp_rises_again() -> None:
    collector = ready(chosen(cleaning={"finish_cycle": True})).hold(1100.0, 5)
    collector.poll(700.0)
    assert collector.because is Because.FINISHING_CYCLE
    collector.hold(900.0, 40)
    assert len(collector.pulses) == 4
    assert stops(collector) == [Because.LOW_REACHED]


def test_dp_that_has_risen_to_high_meanwhile_begins_the_next_run_at_once() -> None:
    """Not one wake-up later: what is due at one instant is done at that instant."""
    collector = ready(chosen(cleaning={"finish_cycle": True})).hold(1100.0, 5)
    collector.poll(700.0)
    collector.hold(1100.0, 40)
    (stopped_s, stopped), *_ = collector.when(CleaningStopped)
    assert stopped.reason.code is Because.LOW_REACHED
    assert [t for t, _ in collector.when(CleaningStarted)][1] == stopped_s
    assert len(collector.pulses) == 5


def test_low_reached_before_the_first_pulse_ends_the_run_without_one() -> None:
    """After a start the first interval is still to be waited for when the run begins."""
    setpoints = chosen(pulsing={"interval_s": 60.0}, cleaning={"finish_cycle": True})
    collector = Collector(setpoints).hold(1100.0, 10)
    assert collector.is_cleaning()
    collector.poll(700.0)
    assert not collector.is_cleaning()
    assert collector.pulses == []


def test_a_sequencer_board_is_given_time_to_finish_its_cycle() -> None:
    collector = ready(board(cleaning={"finish_cycle": True}))
    collector.poll(1100.0)
    since_s = collector.t
    collector.hold(1100.0, 49).hold(700.0, 60)  # in its second cycle of 40 s
    assert stops(collector) == [Because.LOW_REACHED]
    assert collector.when(CleaningStopped)[0][0] == since_s + 80.0


# --- the limit of cycles


def test_after_the_limit_of_cycles_cleaning_rests_and_tries_again() -> None:
    collector = ready().hold(1100.0, 3 * 4 * 10 + 5)
    assert stops(collector) == [Because.LIMIT_OF_CYCLES]
    assert len(collector.pulses) == 12
    assert (collector.because, collector.last.state.decision.phase) == (
        Because.RESTING,
        Phase.RESTING,
    )
    stopped_s = collector.when(CleaningStopped)[0][0]
    collector.hold(1100.0, 200)
    assert len(collector.pulses) == 12
    collector.hold(1100.0, 110)
    assert collector.when(CleaningStarted)[1][0] == stopped_s + BASE.cleaning.rest_s


NOT_EFFECTIVE = AlarmName.CLEANING_NOT_EFFECTIVE


def test_not_effective_alarms_until_dp_is_down_to_low_run_or_no_run() -> None:
    collector = ready().hold(1100.0, 140)
    assert [state for _, state in collector.alarm_changes(NOT_EFFECTIVE)] == ["unacknowledged"]
    assert collector.because is Because.RESTING
    collector.hold(750.1, 60)
    assert len(collector.alarm_changes(NOT_EFFECTIVE)) == 1
    collector.poll(750.0)
    since_s = collector.t
    collector.hold(800.0, 30)
    cleared = (since_s + ALARM_OFF_S, "returned")
    assert collector.alarm_changes(NOT_EFFECTIVE)[1:] == [cleared]
    assert collector.alarm(NOT_EFFECTIVE).reason.code is Because.NO_LONGER
    assert len(collector.of(CleaningStarted)) == 1


def test_a_rest_ends_with_dp_down_to_low() -> None:
    """New filters, or a mended valve: nothing need be waited for."""
    collector = ready().hold(1100.0, 140)
    shown = [collector.because]
    collector.poll(700.0)
    shown.append(collector.because)
    assert shown == [Because.RESTING, Because.BELOW_HIGH]
    collector.poll(1000.0)
    assert collector.is_cleaning()


@pytest.mark.parametrize("blower", [False, None])
def test_low_dp_without_flow_does_not_make_cleaning_effective(blower: bool | None) -> None:
    collector = running(BASE).hold(1100.0, 140).hold(0.0, 60, blower_running=blower)
    assert len(collector.alarm_changes(NOT_EFFECTIVE)) == 1
    collector.hold(1100.0, 5, blower_running=True)
    assert collector.because is Because.RESTING


def test_the_limit_is_judged_when_dp_has_had_an_interval_to_answer() -> None:
    collector = ready()
    collector.poll(1100.0)
    first_s = collector.t
    collector.hold(1100.0, 119)
    assert len(collector.pulses) == 12
    assert collector.is_cleaning()
    collector.advance(first_s + 119.999)
    assert collector.is_cleaning()
    collector.advance(first_s + 120.0)
    assert stops(collector) == [Because.LIMIT_OF_CYCLES]
    assert len(collector.sent(FireValve)) == 12


def test_the_last_pulse_may_still_bring_dp_down_to_low() -> None:
    collector = ready().hold(1100.0, 112)
    assert len(collector.pulses) == 12
    collector.hold(740.0, 30)
    assert stops(collector) == [Because.LOW_REACHED]
    assert collector.alarm_changes(NOT_EFFECTIVE) == []


def test_a_valve_that_fails_in_every_cycle_does_not_keep_a_run_going_for_ever() -> None:
    """Pulses are counted as they are commanded, and one that fails does not begin a new run."""

    def answer(command: Command) -> Outcome:
        dead = isinstance(command, FireValve) and command.valve == 3
        return Outcome.FAILED if dead else Outcome.DONE

    collector = ready()
    collector.outcome = answer
    collector.hold(1100.0, 140)
    (stopped,) = collector.of(CleaningStopped)
    assert (stopped.reason.code, stopped.pulses) == (Because.LIMIT_OF_CYCLES, 12)
    assert len(collector.pulses) == 9
    assert [state for _, state in collector.alarm_changes(NOT_EFFECTIVE)] == ["unacknowledged"]


def test_the_pulse_in_flight_counts_for_the_run_that_commanded_it() -> None:
    collector = ready().hold(1100.0, 15)
    collector.outcome = answering(FireValve=None)
    collector.hold(1100.0, 6)
    assert (len(collector.pulses), len(collector.sent(FireValve))) == (2, 3)
    collector.poll(700.0)
    assert [body.pulses for body in collector.of(CleaningStopped)] == [3]


def test_a_rest_that_is_over_is_not_begun_again_by_a_restart() -> None:
    collector = ready().hold(1100.0, 125).hold(800.0, 400)
    collector.restart()
    collector.hold(1100.0, 20)
    assert collector.is_cleaning()


def test_a_rest_under_way_is_kept_whole_by_a_restart() -> None:
    collector = ready().hold(1100.0, 200)
    collector.restart()
    collector.hold(1100.0, 299)
    assert not collector.is_cleaning()
    collector.hold(1100.0, 2)
    assert collector.is_cleaning()


def test_the_limit_for_a_sequencer_board_is_its_rated_time() -> None:
    collector = ready(board())
    collector.poll(1100.0)
    since_s = collector.t
    collector.hold(1100.0, 130)
    assert stops(collector) == [Because.LIMIT_OF_CYCLES]
    assert collector.when(CleaningStopped)[0][0] == since_s + 3 * 40.0


def test_a_withheld_sequencer_board_does_not_use_up_its_cycles() -> None:
    """With the header low it pulses nothing, so nothing can be said about the cleaning."""
    collector = ready(with_header(pulsing=board().pulsing)).hold(1100.0, 50)
    collector.header = Measured(300_000.0)
    collector.hold(1100.0, 1000)
    assert stops(collector) == []
    assert collector.last.state.decision.phase is Phase.HELD
    collector.header = Measured(600_000.0)
    collector.hold(1100.0, 69)
    assert stops(collector) == []
    collector.hold(1100.0, 5)
    assert stops(collector) == [Because.LIMIT_OF_CYCLES]


# --- timed


def test_timed_cleaning_keeps_its_interval_exactly_whatever_dp_is() -> None:
    collector = ready(chosen(cleaning={"mode": Mode.TIMED}))
    for dp in (0.0, 700.0, 1500.0, LOST, 800.0) * 20:
        collector.poll(dp)
    times = [t for t, _ in collector.pulses]
    assert len(times) >= 6
    assert {b - a for a, b in pairwise(times)} == {15.0}


def test_timed_cleaning_with_a_board_keeps_the_contact_closed() -> None:
    collector = ready(board(cleaning={"mode": Mode.TIMED})).hold(800.0, 500)
    assert [command.closed for _, command in collector.commands if hasattr(command, "closed")] == [
        True
    ]


def test_mode_off_pulses_nothing() -> None:
    collector = ready(chosen(cleaning={"mode": Mode.OFF})).hold(1400.0, 300)
    assert collector.pulses == []
    assert (collector.because, collector.last.state.decision.phase) == (Because.MODE_OFF, Phase.OFF)


@pytest.mark.parametrize(
    ("mode", "reason"),
    [(Mode.OFF, Because.MODE_OFF), (Mode.TIMED, Because.TIMED_SELECTED)],
)
def test_selecting_another_mode_ends_the_run(mode: Mode, reason: Because) -> None:
    collector = ready().hold(1100.0, 3)
    collector.ask(SelectMode(mode))
    assert stops(collector) == [reason]
    assert collector.is_cleaning() is (mode is Mode.TIMED)


# --- the reading cannot be trusted

FALLBACK = chosen(fitted={"blower_running": True})


def test_fallback_begins_after_its_delay_and_keeps_its_interval() -> None:
    collector = ready(FALLBACK, blower_running=True).hold(800.0, 60)
    collector.poll(LOST)
    since_s = collector.t
    collector.hold(LOST, 29)
    assert (collector.because, collector.last.state.decision.phase) == (
        Because.BAD_READING_WAIT,
        Phase.WAITING,
    )
    collector.hold(LOST, 200)
    assert starts(collector) == [(RunKind.FALLBACK, Because.BAD_READING_FALLBACK)]
    assert [t for t, _ in collector.pulses] == [since_s + 30.0 + 60.0 * i for i in range(4)]


def test_fallback_ends_when_the_reading_is_back() -> None:
    collector = ready(FALLBACK, blower_running=True).hold(LOST, 40).hold(800.0, 2)
    assert stops(collector) == [Because.BELOW_HIGH]
    collector.hold(LOST, 29)
    assert not collector.is_cleaning()  # the delay begins anew


def test_fallback_gives_way_to_cleaning_on_demand() -> None:
    collector = ready(FALLBACK, blower_running=True).hold(LOST, 40)
    collector.poll(1100.0)
    assert starts(collector)[-1] == (RunKind.ON_DEMAND, Because.HIGH_REACHED)


@pytest.mark.parametrize(
    ("why", "setpoints", "contacts"),
    [
        ("no contact proves the blower", BASE, {}),
        ("the contact cannot be read", FALLBACK, {"blower_running": None}),
    ],
)
def test_fallback_needs_a_blower_proved_by_its_contact(
    why: str, setpoints: Setpoints, contacts: dict[str, bool | None]
) -> None:
    collector = ready(setpoints, **contacts).hold(LOST, 100)
    assert not collector.is_cleaning(), why
    assert collector.because is Because.FALLBACK_NEEDS_BLOWER
    assert collector.last.state.decision.phase is Phase.BLOCKED


def test_no_fallback_with_the_blower_off() -> None:
    collector = ready(FALLBACK, blower_running=False).hold(LOST, 100)
    assert (collector.is_cleaning(), collector.because) == (False, Because.BLOWER_OFF)


def test_hold_pulses_nothing_while_the_reading_is_bad() -> None:
    setpoints = chosen(FALLBACK, cleaning={"on_bad_reading": OnBadReading.HOLD})
    collector = ready(setpoints, blower_running=True).hold(1100.0, 3)
    fired = len(collector.pulses)
    collector.hold(LOST, 600)
    assert len(collector.pulses) == fired
    assert stops(collector) == [Because.BAD_READING_HOLD]
    assert (collector.because, collector.last.state.decision.phase) == (
        Because.BAD_READING_HOLD,
        Phase.BLOCKED,
    )


def test_fallback_with_a_sequencer_board_closes_the_contact() -> None:
    setpoints = board(fitted={"blower_running": True})
    collector = ready(setpoints, blower_running=True).hold(LOST, 31)
    assert collector.state.pulsing.demand_closed
    collector.hold(800.0, 1)
    assert not collector.state.pulsing.demand_closed


def test_on_demand_needs_the_blower() -> None:
    collector = running(BASE, blower_running=None).hold(1100.0, 5)
    assert (collector.is_cleaning(), collector.because) == (False, Because.BLOWER_UNKNOWN)
    collector.hold(1100.0, 1, blower_running=True)
    assert collector.is_cleaning()


@pytest.mark.parametrize(("running", "phase"), [(None, Phase.BLOCKED), (False, Phase.IDLE)])
def test_timed_needs_the_blower_where_a_contact_proves_it(
    running: bool | None, phase: Phase
) -> None:
    setpoints = chosen(FALLBACK, cleaning={"mode": Mode.TIMED})
    collector = ready(setpoints, blower_running=running).hold(800.0, 60)
    assert (collector.pulses, collector.last.state.decision.phase) == ([], phase)
