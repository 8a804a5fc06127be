"""Taking the zero: refused, abandoned, or averaged and applied."""

from collections.abc import Callable

import pytest

from core.driver import LOST, Collector, chosen, ready
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import RequestAnswered, ZeroAbandoned, ZeroTaken
from dustcake.core.inputs import Signal
from dustcake.core.reading import Quality
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, SelectMode, SetZero
from dustcake.core.setpoints import Setpoints

FITTED = chosen(fitted={"blower_running": True})


def at_rest(dp: float | Signal = 4.0, for_s: float = 60.0) -> Collector:
    """The blower has been proved off for a while."""
    return ready(FITTED, blower_running=True).hold(dp, for_s, blower_running=False)


def ask(collector: Collector, confirmed: bool = False, by: str = "fitter") -> RequestAnswered:
    return collector.ask(SetZero(confirmed), by=by)


def abandoned(collector: Collector) -> list[Because]:
    return [body.reason.code for body in collector.of(ZeroAbandoned)]


def test_the_average_becomes_the_zero_and_is_subtracted_from_then_on() -> None:
    collector = at_rest()
    started_s = collector.t
    assert ask(collector).reason.code is Because.ZERO_STARTED
    for dp in (3.0, 5.0, 7.0, 9.0):
        collector.poll(dp)
    collector.advance(started_s + 4.999)
    assert collector.of(ZeroTaken) == []
    collector.advance(started_s + 5.0)
    (taken,) = collector.of(ZeroTaken)
    assert (taken.offset_pa, taken.previous_offset_pa, taken.by) == (6.0, 0.0, "fitter")
    assert collector.state.zero.taken_utc_s == collector.now.utc_s
    collector.poll(7.0)
    assert collector.state.sample.pa == 1.0


def test_a_second_zero_replaces_the_first_and_is_not_added_to_it() -> None:
    collector = at_rest()
    for _ in range(2):
        ask(collector)
        collector.hold(6.0, 6)
    assert [body.offset_pa for body in collector.of(ZeroTaken)] == [6.0, 6.0]


def test_a_step_by_step_zero_cannot_wander_beyond_the_limit() -> None:
    """The limit holds for what the transmitter reads, not for what the last zero left of it."""
    collector = at_rest(11.0)
    ask(collector)
    collector.hold(11.0, 6).hold(15.0, 2)
    assert collector.state.sample.pa == 4.0
    assert ask(collector).reason.code is Because.ZERO_TOO_FAR


def test_meanwhile_the_reading_is_a_function_check_and_nothing_rests_on_it() -> None:
    collector = at_rest()
    ask(collector)
    collector.poll(4.0)
    sample = collector.state.sample
    assert (sample.quality, sample.usable_pa) == (Quality.FUNCTION_CHECK, None)
    assert sample.reasons[0].code is Because.ZEROING
    collector.hold(4.0, 10)
    assert collector.state.sample.quality is Quality.GOOD


def test_a_zero_is_no_transmitter_fault() -> None:
    collector = ready(chosen(FITTED, zeroing={"average_s": 60.0}), blower_running=False)
    collector.hold(4.0, 60)
    assert ask(collector).accepted
    collector.hold(4.0, 70)
    changes = [state for _, state in collector.alarm_changes(AlarmName.TRANSMITTER_FAULT)]
    assert changes == ["suppressed_by_design", "normal"]
    assert len(collector.of(ZeroTaken)) == 1


@pytest.mark.parametrize(
    ("why", "collector", "confirmed", "because"),
    [
        (
            "the blower runs",
            lambda: ready(FITTED, blower_running=True),
            True,
            Because.ZERO_BLOWER_NOT_OFF,
        ),
        (
            "nobody knows whether it runs",
            lambda: ready(FITTED, blower_running=None),
            True,
            Because.ZERO_BLOWER_NOT_OFF,
        ),
        ("it has only just stopped", lambda: at_rest(4.0, 30), True, Because.ZERO_BLOWER_NOT_OFF),
        (
            "no contact, and nobody says that it stands still",
            lambda: ready().hold(4.0, 60),
            False,
            Because.ZERO_BLOWER_NOT_CONFIRMED,
        ),
        ("it reads too high", lambda: at_rest(12.1), False, Because.ZERO_TOO_FAR),
        ("it reads too low", lambda: at_rest(-12.1), False, Because.ZERO_TOO_FAR),
        ("it does not read at all", lambda: at_rest(LOST), False, Because.READ_FAILED),
        ("it has gone stale", lambda: ready().wait(60.0), True, Because.STALE),
        ("out of specification", lambda: ready().hold(3000.0, 3), True, Because.BEYOND_SPAN),
    ],
)
def test_refused(
    why: str, collector: Callable[[], Collector], confirmed: bool, because: Because
) -> None:
    made = collector()
    answer = ask(made, confirmed)
    assert (answer.accepted, answer.reason.code) == (False, because), why
    assert not made.state.zero.under_way


def test_the_limit_itself_is_accepted() -> None:
    assert ask(at_rest(12.0)).accepted
    assert ask(at_rest(-12.0)).accepted


def test_the_blower_must_have_been_off_for_its_time_to_the_second() -> None:
    collector = ready(FITTED, blower_running=True)
    collector.poll(4.0, blower_running=False)
    collector.hold(4.0, 30)
    assert ask(collector).accepted


def test_a_person_may_vouch_for_the_blower_where_no_contact_can() -> None:
    collector = ready().hold(4.0, 10)
    assert ask(collector, confirmed=True).accepted
    collector.hold(4.0, 6)
    assert collector.state.zero.offset_pa == 4.0


def test_one_at_a_time() -> None:
    collector = at_rest()
    ask(collector)
    assert ask(collector).reason.code is Because.ALREADY_ZEROING


@pytest.mark.parametrize(
    ("why", "happens", "because"),
    [
        (
            "the blower starts",
            lambda c: c.poll(4.0, blower_running=True),
            Because.ZERO_BLOWER_NOT_OFF,
        ),
        (
            "its contact is lost",
            lambda c: c.hold(4.0, 6, blower_running=None),
            Because.ZERO_BLOWER_NOT_OFF,
        ),
        ("every poll is lost", lambda c: c.hold(LOST, 6), Because.ZERO_READING_LOST),
        ("the reading leaves its span", lambda c: c.poll(-100.0), Because.ZERO_READING_LOST),
        ("no more polls", lambda c: c.wait(60.0), Because.ZERO_BLOWER_NOT_OFF),
        ("one reading is too far", lambda c: c.poll(12.1), Because.ZERO_TOO_FAR),
        ("one reading is too low", lambda c: c.poll(-12.1), Because.ZERO_TOO_FAR),
        ("the daemon restarts", lambda c: c.restart(), Because.RESTARTED),
    ],
)
def test_abandoned(why: str, happens: Callable[[Collector], object], because: Because) -> None:
    collector = at_rest()
    ask(collector)
    happens(collector)
    assert abandoned(collector) == [because], why
    assert collector.of(ZeroTaken) == []
    assert collector.state.zero.offset_pa == 0.0
    collector.hold(4.0, 30)
    assert len(collector.of(ZeroAbandoned)) == 1
    assert not collector.state.zero.under_way


def test_without_a_contact_the_end_of_polls_abandons_it() -> None:
    collector = ready().hold(4.0, 10)
    ask(collector, confirmed=True)
    collector.wait(60.0)
    assert abandoned(collector) == [Because.ZERO_READING_LOST]


def test_an_abandoned_zero_leaves_the_one_before_it() -> None:
    collector = at_rest()
    ask(collector)
    collector.hold(4.0, 6)
    ask(collector)
    collector.poll(4.0, blower_running=True)
    assert collector.state.zero.offset_pa == 4.0


def test_it_waits_for_a_first_reading_when_polls_are_far_apart() -> None:
    collector = ready(chosen(FITTED, stale_after_s=60.0), blower_running=False).hold(4.0, 60)
    ask(collector)
    collector.wait(20.0)
    assert collector.of(ZeroTaken) == []
    collector.poll(6.0)
    assert [body.offset_pa for body in collector.of(ZeroTaken)] == [6.0]


def test_the_end_of_the_average_is_woken_for() -> None:
    collector = ready(chosen(FITTED, stale_after_s=60.0), blower_running=False).hold(4.0, 60)
    asked_s = collector.t
    ask(collector)
    collector.poll(6.0, after_s=4.0)
    collector.wait(10.0)
    assert [t for t, _ in collector.when(ZeroTaken)] == [asked_s + 5.0]


def test_somebody_unknown_may_ask() -> None:
    collector = at_rest()
    ask(collector, by="")
    assert collector.state.zero.under_way
    collector.hold(4.0, 6)
    assert collector.of(ZeroTaken)[0].by == "unknown"


@pytest.mark.parametrize(
    ("why", "setpoints", "confirmed"),
    [
        ("downtime cleaning", chosen(FITTED, cleaning={"downtime": True}), False),
        (
            "timed cleaning, and nothing proves flow",
            chosen(cleaning={"mode": Mode.TIMED}, blower={"timed_unproved": True}),
            True,
        ),
    ],
)
def test_not_while_a_cleaning_run_is_under_way(
    why: str, setpoints: Setpoints, confirmed: bool
) -> None:
    """Pulses disturb the reading."""
    collector = ready(setpoints, blower_running=True).hold(800.0, 700)
    collector.hold(4.0, 100, blower_running=False)
    assert collector.is_cleaning(), why
    answer = ask(collector, confirmed)
    assert (answer.accepted, answer.reason.code) == (False, Because.ZERO_WHILE_CLEANING)
    assert not collector.state.zero.under_way
    collector.ask(SelectMode(Mode.OFF))
    assert ask(collector, confirmed).accepted


def test_a_cleaning_run_that_begins_meanwhile_abandons_it() -> None:
    collector = ready(chosen(FITTED, cleaning={"downtime": True}), blower_running=True)
    collector.hold(800.0, 700).hold(4.0, 88, blower_running=False)
    assert ask(collector).accepted
    collector.hold(4.0, 2)
    assert abandoned(collector) == []
    collector.hold(4.0, 2)
    assert collector.is_cleaning()
    assert abandoned(collector) == [Because.ZERO_WHILE_CLEANING]
    assert collector.of(ZeroTaken) == []


def test_every_reading_is_held_against_the_limit_before_the_old_zero_is_taken_off() -> None:
    collector = at_rest(10.0)
    ask(collector)
    collector.hold(10.0, 6)
    assert collector.state.zero.offset_pa == 10.0
    ask(collector)
    collector.hold(11.0, 2)
    assert collector.state.zero.under_way
    collector.poll(12.5)  # 2.5 Pa by the old zero
    assert abandoned(collector) == [Because.ZERO_TOO_FAR]
    (told,) = collector.of(ZeroAbandoned)
    assert dict(told.reason.values)["dp_pa"] == 12.5
