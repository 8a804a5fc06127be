"""Set points changed by request: held, confirmed, kept, and given up."""

from math import nan

import pytest

from core.driver import FIRST_UTC_S, Collector, chosen, ready
from core.traces import ADJUSTING
from dustcake.codec import STATE_FORMAT, decode_state, encode_state
from dustcake.core.events import ChangeLapsed, RequestAnswered, SettingChanged
from dustcake.core.inputs import OperatorRequested, Stamp
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import (
    ChangeSetPoints,
    ConfirmChange,
    Mode,
    PointChange,
    SelectMode,
    SetPoint,
)
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints

FILE = chosen(adjusting=ADJUSTING)


def changed(collector: Collector, by: str = "day shift", **values: float) -> RequestAnswered:
    """A change asked for and confirmed at once."""
    held = collector.ask(ChangeSetPoints(**values), by=by)
    assert held.change is not None, held
    return collector.ask(ConfirmChange(held.change), by=by)


def now(collector: Collector) -> Setpoints:
    return effective(collector.setpoints, collector.state.set_point_overrides)


def settings(collector: Collector) -> list[tuple[str, str, str, str]]:
    return [(c.setting, c.before, c.after, c.by) for c in collector.of(SettingChanged)]


def test_a_change_is_shown_back_and_does_nothing_until_it_is_confirmed() -> None:
    collector = ready(FILE)
    held = collector.ask(ChangeSetPoints(low_pa=750.0, high_pa=900.0, on_time_s=0.2))
    assert (held.accepted, held.reason.code) == (True, Because.CONFIRM_CHANGE)
    # What is as it was already is no part of it.
    assert held.points == (
        PointChange(SetPoint.HIGH, 1000.0, 900.0),
        PointChange(SetPoint.ON_TIME, 0.15, 0.2),
    )
    assert held.change == next(e.seq for e in collector.log if e.body is held)
    collector.hold(950.0, 3)
    assert not collector.is_cleaning()
    assert now(collector) == FILE
    done = collector.ask(ConfirmChange(held.change))
    assert (done.accepted, done.reason.code) == (True, Because.DONE)
    assert (done.change, done.points) == (held.change, held.points)
    assert settings(collector) == [
        ("cleaning.high_pa", "1000.0", "900.0", "day shift"),
        ("pulsing.on_time_s", "0.15", "0.2", "day shift"),
    ]
    collector.poll(950.0)
    assert collector.is_cleaning(), "above the new high set point"
    assert [c.on_time_s for _, c in collector.commands if hasattr(c, "on_time_s")] == [0.2]


def test_it_takes_hold_in_the_step_that_confirms_it() -> None:
    collector = ready(FILE).hold(950.0, 5)
    held = collector.ask(ChangeSetPoints(high_pa=900.0))
    assert held.change is not None
    collector.ask(ConfirmChange(held.change))
    assert collector.is_cleaning()


def test_the_interval_and_timed_cleaning_with_it() -> None:
    collector = ready(FILE)
    collector.ask(SelectMode(Mode.TIMED))
    changed(collector, interval_s=4.0)
    assert now(collector).cleaning.timed_interval_s == 4.0
    own = ready(chosen(FILE, adjusting={"timed_follows": False}))
    changed(own, interval_s=4.0)
    assert now(own).cleaning.timed_interval_s == 15.0
    assert now(own).pulsing.interval_s == 4.0


def test_without_a_confirmation_it_lapses_in_time_and_is_told() -> None:
    collector = ready(FILE)
    held = collector.ask(ChangeSetPoints(high_pa=900.0))
    asked_s = collector.t
    collector.wait(10.0)
    told = collector.when(ChangeLapsed)
    assert [(t, body.change, body.by) for t, body in told] == [
        (asked_s + 4.0, held.change, "day shift")
    ]
    assert told[0][1].reason.code is Because.NOT_CONFIRMED
    assert held.change is not None
    late = collector.ask(ConfirmChange(held.change))
    assert (late.accepted, late.reason.code) == (False, Because.NO_SUCH_CHANGE)
    assert now(collector) == FILE


def test_a_confirmation_that_comes_at_the_very_end_is_too_late() -> None:
    """Nobody woke the core, so it has not lapsed yet; still it does not act."""
    collector = ready(FILE)
    held = collector.ask(ChangeSetPoints(high_pa=900.0))
    assert held.change is not None
    collector.t += 4.0
    late = collector.ask(ConfirmChange(held.change))
    assert late.reason.code is Because.NO_SUCH_CHANGE
    assert len(collector.of(ChangeLapsed)) == 1


def test_nobody_else_may_confirm_it_and_nothing_else_either() -> None:
    collector = ready(FILE)
    held = collector.ask(ChangeSetPoints(high_pa=900.0), by="kim")
    assert held.change is not None
    other = collector.ask(ConfirmChange(held.change), by="lee")
    assert (other.accepted, other.reason.code, other.reason.detail) == (
        False,
        Because.CHANGE_OF_ANOTHER,
        "kim",
    )
    wrong = collector.ask(ConfirmChange(held.change + 1), by="kim")
    assert wrong.reason.code is Because.NO_SUCH_CHANGE
    assert collector.ask(ConfirmChange(held.change), by="kim").accepted


def test_the_newest_takes_the_place_of_one_that_waits() -> None:
    collector = ready(FILE)
    first = collector.ask(ChangeSetPoints(high_pa=900.0))
    second = collector.ask(ChangeSetPoints(high_pa=950.0), by="night shift")
    (lapsed,) = collector.of(ChangeLapsed)
    assert (lapsed.change, lapsed.reason.code) == (first.change, Because.CHANGE_REPLACED)
    assert first.change is not None
    assert collector.ask(ConfirmChange(first.change)).reason.code is Because.NO_SUCH_CHANGE
    assert second.change is not None
    assert collector.ask(ConfirmChange(second.change), by="night shift").accepted
    assert now(collector).cleaning.high_pa == 950.0


def test_the_same_request_again_neither_holds_nor_acts_again() -> None:
    collector = ready(FILE)
    held = collector.ask(ChangeSetPoints(high_pa=900.0), "a")
    assert held.change is not None
    assert collector.ask(ChangeSetPoints(high_pa=900.0), "a") == held
    done = collector.ask(ConfirmChange(held.change), "b")
    changed(collector, high_pa=1000.0)
    assert collector.ask(ConfirmChange(held.change), "b") == done
    assert collector.ask(ChangeSetPoints(high_pa=900.0), "a") == held
    assert collector.state.set_point_overrides.pending is None
    assert now(collector).cleaning.high_pa == 1000.0


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (ChangeSetPoints(low_pa=699.9), Because.PRESSURE_LIMITS),
        (ChangeSetPoints(high_pa=1100.1), Because.PRESSURE_LIMITS),
        (ChangeSetPoints(low_pa=nan), Because.PRESSURE_LIMITS),
        (ChangeSetPoints(interval_s=0.9), Because.TIME_LIMITS),
        (ChangeSetPoints(on_time_s=0.21), Because.TIME_LIMITS),
        (ChangeSetPoints(on_time_s=0.1234), Because.ON_TIME_STEP),
        (ChangeSetPoints(low_pa=900.0, high_pa=900.0), Because.LOW_NOT_BELOW_HIGH),
        (ChangeSetPoints(low_pa=900.0, high_pa=850.0), Because.LOW_NOT_BELOW_HIGH),
        (ChangeSetPoints(low_pa=750.0), Because.NOTHING_TO_CHANGE),
        (ChangeSetPoints(), Because.NOTHING_TO_CHANGE),
    ],
)
def test_what_is_refused(asked: ChangeSetPoints, code: Because) -> None:
    collector = ready(chosen(FILE, adjusting={"on_time_step_s": 0.01}))
    answer = collector.ask(asked)
    assert (answer.accepted, answer.reason.code) == (False, code)
    assert (answer.change, answer.points) == (None, ())
    assert collector.state.set_point_overrides.pending is None


def test_what_the_settings_do_not_let_be_changed() -> None:
    answer = ready().ask(ChangeSetPoints(on_time_s=0.2))
    assert (answer.reason.code, answer.reason.detail) == (Because.SET_POINT_FIXED, "on_time_s")


def test_multiples_of_what_the_module_counts_are_taken() -> None:
    collector = ready(chosen(FILE, adjusting={"on_time_step_s": 0.01}))
    for on_time_s in (0.11, 0.12, 0.13, 0.17, 0.19):
        assert changed(collector, on_time_s=on_time_s).accepted


def test_a_change_stays_through_restarts_and_storage() -> None:
    collector = ready(FILE)
    changed(collector, low_pa=800.0, high_pa=900.0)
    stored = decode_state(encode_state(collector.state), STATE_FORMAT)
    assert stored == collector.state
    told = len(settings(collector))
    again = Collector(FILE, state=stored)
    assert now(again).cleaning.low_pa == 800.0
    assert settings(again) == []
    collector.restart()
    assert now(collector).cleaning.high_pa == 900.0
    assert len(settings(collector)) == told
    (low, high) = collector.state.set_point_overrides.points
    assert (low.by, low.configured) == ("day shift", 750.0)
    assert low.utc_s == pytest.approx(FIRST_UTC_S + 11.0)
    assert (high.value, high.configured) == (900.0, 1000.0)


def test_a_state_of_a_version_without_changes_is_read() -> None:
    fields = encode_state(ready(FILE).state)
    older = fields.replace(b',"set_point_overrides":{"points":[],"pending":null}', b"")
    assert older != fields
    assert decode_state(older, STATE_FORMAT) == ready(FILE).state


def test_a_change_that_waits_does_not_outlive_the_daemon() -> None:
    collector = ready(FILE)
    held = collector.ask(ChangeSetPoints(high_pa=900.0))
    collector.restart()
    (lapsed,) = collector.of(ChangeLapsed)
    assert (lapsed.change, lapsed.reason.code) == (held.change, Because.RESTARTED)
    assert held.change is not None
    assert collector.ask(ConfirmChange(held.change)).reason.code is Because.NO_SUCH_CHANGE


def test_back_to_what_the_file_says_is_the_files_again() -> None:
    collector = ready(FILE)
    changed(collector, high_pa=900.0, interval_s=3.0)
    changed(collector, high_pa=1000.0)
    assert [each.set_point for each in collector.state.set_point_overrides.points] == [
        SetPoint.INTERVAL
    ]
    changed(collector, interval_s=2.0, high_pa=950.0)
    (interval, high) = collector.state.set_point_overrides.points
    assert (interval.value, interval.configured, high.value) == (2.0, 10.0, 950.0)


def test_the_file_wins_where_it_is_changed_and_that_is_told() -> None:
    collector = ready(FILE)
    changed(collector, low_pa=800.0, interval_s=3.0)
    edited = chosen(FILE, cleaning={"low_pa": 740.0}, edited_by="office")
    collector.restart(settings=edited)
    assert now(collector).cleaning.low_pa == 740.0
    assert now(collector).pulsing.interval_s == 3.0, "of that the file says what it said"
    assert settings(collector)[-1] == ("cleaning.low_pa", "800.0", "740.0", "office")
    collector.restart(settings=FILE)
    assert now(collector).cleaning.low_pa == 750.0, "what was given up does not come back"


def test_what_the_limits_no_longer_allow_is_given_up() -> None:
    collector = ready(FILE)
    changed(collector, low_pa=800.0, interval_s=3.0)
    narrow = chosen(FILE, adjusting={"low_pa": (700.0, 790.0)}, edited_by="office")
    collector.restart(settings=narrow)
    assert now(collector).cleaning.low_pa == 750.0
    assert ("cleaning.low_pa", "800.0", "750.0", "office") in settings(collector)
    assert now(collector).pulsing.interval_s == 3.0


def test_what_no_longer_goes_with_the_file_is_given_up_whole() -> None:
    collector = ready(FILE)
    changed(collector, low_pa=880.0, interval_s=3.0)
    edited = chosen(FILE, cleaning={"high_pa": 870.0})
    collector.restart(settings=edited)
    assert now(collector) == edited


def test_what_holds_is_compared_and_not_what_the_file_said() -> None:
    """A file that is edited to what had been asked for changes nothing."""
    collector = ready(FILE)
    changed(collector, high_pa=900.0)
    told = len(settings(collector))
    collector.restart(settings=chosen(FILE, cleaning={"high_pa": 900.0}))
    assert len(settings(collector)) == told
    assert collector.state.set_point_overrides.points == ()


def test_nothing_is_lost_to_the_promise_of_quiet() -> None:
    collector = ready(FILE).hold(800.0, 30)
    quiet = collector.last.state.quiet
    assert quiet is not None
    assert quiet.high_pa == 1000.0
    changed(collector, high_pa=900.0)
    collector.hold(800.0, 2)
    assert collector.last.state.quiet is not None
    assert collector.last.state.quiet.high_pa == 900.0


def test_until_when_and_that_without_a_clock_it_is_not_known() -> None:
    collector = ready(FILE)
    collector.ask(ChangeSetPoints(high_pa=900.0))
    held = collector.state.set_point_overrides.pending
    assert held is not None
    assert held.until_utc_s == pytest.approx(FIRST_UTC_S + collector.t + 4.0)
    unset = Stamp(collector.t, None)
    collector.feed(OperatorRequested(unset, ChangeSetPoints(high_pa=950.0), "x", "y"))
    held = collector.state.set_point_overrides.pending
    assert held is not None
    assert (held.until_s, held.until_utc_s) == (collector.t + 4.0, None)
