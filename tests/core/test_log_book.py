"""The log book: filter changes, entries, set points that are another, and upkeep that is due."""

from dataclasses import fields, replace
from typing import Any

import pytest

from core.driver import BASE, FIRST_UTC_S, Collector, chosen, ready, running
from dustcake.core.alarms.names import AlarmName
from dustcake.core.events import (
    Body,
    FiltersChanged,
    LogEntry,
    SettingChanged,
    UpkeepDue,
    ZeroTaken,
)
from dustcake.core.inputs import Stamp
from dustcake.core.log_book import PUBLISHED_AS, lines_of
from dustcake.core.maintenance import COMPLETES
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Entry, Mode, RecordEntry, RecordFilterChange, SetZero
from dustcake.core.setpoints import MaintenanceSetting, Setpoints

OFF = chosen(cleaning={"mode": Mode.OFF}, fitted={"blower_running": True})
DAY_S = 86_400.0


def record(collector: Collector, entry: Entry, note: str = "", upkeep: str = "") -> Because:
    return collector.ask(RecordEntry(entry, note, upkeep), by="fitter").reason.code


def last(collector: Collector, body: type[Body]) -> Any:
    return collector.of(body)[-1]


# --- filter changes and entries


def test_a_filter_change_is_on_record_with_blower_hours_and_who() -> None:
    collector = ready(OFF, blower_running=True).hold(800.0, 7190)
    answer = collector.ask(RecordFilterChange("spare set", (1, 3)), by="fitter")
    assert answer.accepted
    assert last(collector, FiltersChanged) == FiltersChanged(7200.0, "spare set", "fitter", (1, 3))
    assert collector.state.log_book.filters_changed_utc_s == collector.now.utc_s
    collector.restart()
    collector.hold(800.0, 3601)
    collector.ask(RecordFilterChange(), by="fitter")
    assert last(collector, FiltersChanged) == FiltersChanged(3600.0, "", "fitter", ())


@pytest.mark.parametrize("valve", [0, 5, -1])
def test_a_valve_that_is_not_there(valve: int) -> None:
    collector = ready()
    answer = collector.ask(RecordFilterChange("", (1, valve)))
    assert answer.reason.code is Because.NO_SUCH_VALVE
    assert collector.of(FiltersChanged) == []
    assert collector.state.log_book.filters_changed_s is None


@pytest.mark.parametrize("entry", [e for e in Entry if e is not Entry.UPKEEP_DONE])
def test_an_entry(entry: Entry) -> None:
    collector = ready()
    assert record(collector, entry, "as seen") is Because.DONE
    assert collector.of(LogEntry) == [LogEntry(entry, "as seen", "", "fitter")]


def test_a_note_must_say_something() -> None:
    assert record(ready(), Entry.NOTE, "  ") is Because.NO_NOTE
    assert record(ready(), Entry.DRUM_EMPTIED, "  ") is Because.DONE


# --- new filters


def test_new_filters_read_low_and_raise_no_alarm_until_they_are_seasoned() -> None:
    """600 s of blower time; standing still does not count."""
    collector = running(OFF).hold(800.0, 70)
    collector.ask(RecordFilterChange())
    collector.hold(40.0, 400)
    assert collector.alarm(AlarmName.LOW_DP).reason.code is Because.SEASONING
    collector.hold(0.0, 1000, blower_running=False)
    collector.hold(40.0, 190, blower_running=True)
    assert collector.alarm(AlarmName.LOW_DP).state == "suppressed_by_design"
    collector.hold(40.0, 30)
    assert collector.alarm(AlarmName.LOW_DP).state == "unacknowledged"


# --- set points that are another at the next start


def changes(collector: Collector) -> list[tuple[str, str, str]]:
    return [(c.setting, c.before, c.after) for c in collector.of(SettingChanged)]


def test_changed_set_points_are_logged_at_the_next_start_with_who_says_so() -> None:
    collector = ready()
    collector.restart()
    assert changes(collector) == []
    alarms = tuple(
        replace(s, on_delay_s=33.0) if s.name is AlarmName.SMOKE else s for s in BASE.alarms
    )
    other = chosen(
        BASE,
        cleaning={"high_pa": 1100.0, "mode": Mode.TIMED, "finish_cycle": True},
        pulsing={"order": (1, 2, 3, 4)},
        alarms=alarms,
        edited_by="night shift",
    )
    collector.restart(settings=other)
    assert changes(collector) == [
        ("cleaning.mode", "on_demand", "timed"),
        ("cleaning.high_pa", "1000.0", "1100.0"),
        ("cleaning.finish_cycle", "False", "True"),
        ("pulsing.order", "2, 4, 1, 3", "1, 2, 3, 4"),
        ("alarms.smoke.on_delay_s", "10.0", "33.0"),
    ]
    assert {c.by for c in collector.of(SettingChanged)} == {"night shift"}
    collector.restart(settings=other)
    assert len(changes(collector)) == 5, "told once"


def test_a_set_point_that_comes_or_goes_is_logged() -> None:
    collector = ready()
    collector.restart(settings=chosen(header=BASE.dp))
    told = {setting: (before, after) for setting, before, after in changes(collector)}
    assert told["header"] == ("None", "")
    assert told["header.gain_pa"] == ("", "1.0")


def test_every_field_of_the_set_points_has_one_published_name_or_none() -> None:
    assert list(PUBLISHED_AS) == [field.name for field in fields(Setpoints)]
    published = [name for name in PUBLISHED_AS.values() if name is not None]
    assert len(published) == len(set(published))


def test_every_set_point_is_a_line_of_its_own() -> None:
    lines = dict(lines_of(BASE))
    assert len(lines) == len(list(lines_of(BASE)))
    assert not any("\n" in text or "=" in name for name, text in lines.items())
    assert lines["limits.replacement_cycles"] == "2"


# --- upkeep


def with_upkeep(**every: Any) -> Setpoints:
    return replace(OFF, maintenance=(MaintenanceSetting("snubber", "clean it", **every),))


def due(collector: Collector) -> list[float]:
    return [t for t, each in collector.when(UpkeepDue) if each.upkeep == "snubber"]


def test_due_after_so_much_running_time_of_the_blower() -> None:
    collector = ready(with_upkeep(every_run_s=100.0), blower_running=True)
    collector.hold(0.0, 500, blower_running=False)
    assert due(collector) == []
    collector.poll(800.0, blower_running=True)
    since_s = collector.t
    before_s = collector.state.blower.total_s
    collector.hold(800.0, 300)
    assert due(collector) == [since_s + 100.0 - before_s]
    assert last(collector, UpkeepDue).text == "clean it"


def test_due_after_so_many_pulses() -> None:
    setpoints = replace(with_upkeep(every_pulses=4), cleaning=BASE.cleaning)
    collector = ready(setpoints, blower_running=True)
    while not due(collector):
        collector.poll(1100.0)
    assert len(collector.pulses) == 4


def test_due_by_the_calendar_and_woken_for() -> None:
    collector = ready(with_upkeep(every_s=DAY_S)).wait(3 * DAY_S)
    assert due(collector) == [DAY_S]


def test_done_and_due_again() -> None:
    collector = ready(with_upkeep(every_s=100.0)).hold(800.0, 150)
    assert len(due(collector)) == 1
    assert record(collector, Entry.UPKEEP_DONE, "half plugged", "snubber") is Because.DONE
    done_s = collector.t
    assert not collector.state.log_book.maintenance.tasks[0].due
    assert last(collector, LogEntry).upkeep == "snubber"
    collector.hold(800.0, 150)
    assert due(collector)[1:] == [done_s + 100.0]


def test_upkeep_nobody_has_heard_of() -> None:
    collector = ready(with_upkeep(every_s=100.0))
    assert record(collector, Entry.UPKEEP_DONE, "", "coffee") is Because.NO_SUCH_UPKEEP
    assert collector.of(LogEntry) == []


def test_what_is_due_stays_due_and_what_is_not_goes_on_through_a_restart() -> None:
    """Time in which the daemon was down counts for the calendar, and not for the blower."""
    tasks = (
        MaintenanceSetting("due", "", every_s=10.0),
        MaintenanceSetting("calendar", "", every_s=1000.0),
        MaintenanceSetting("run", "", every_run_s=1000.0),
        MaintenanceSetting("gone", "", every_s=5000.0),
    )
    collector = ready(replace(OFF, maintenance=tasks), blower_running=True).hold(800.0, 400)
    down = Down(collector, 700.0)
    new = MaintenanceSetting("new", "", every_s=100.0)
    down.restart(settings=replace(OFF, maintenance=(*tasks[:3], new)), downtime_s=700.0)
    assert [i.name for i in down.state.log_book.maintenance.tasks] == [
        "due",
        "calendar",
        "run",
        "new",
    ]
    assert [b.upkeep for b in down.of(UpkeepDue)] == ["calendar"]
    assert down.state.log_book.maintenance.tasks[0].due
    down.hold(800.0, 650, blower_running=True)
    assert [b.upkeep for b in down.of(UpkeepDue)] == ["calendar", "new", "run"]


class Down(Collector):
    """The same collector later by the time of day."""

    def __init__(self, before: Collector, down_s: float) -> None:
        self.ahead_s = before.t + down_s
        super().__init__(before.setpoints, state=before.state, blower_running=True)
        self.log.clear()
        self.last = replace(self.last, state=before.state)

    @property
    def now(self) -> Stamp:
        return Stamp(self.t, FIRST_UTC_S + self.ahead_s + self.t)


class Shifting(Collector):
    """A clock that is set late, and stepped later."""

    def __init__(self, setpoints: Setpoints) -> None:
        self.utc_less_mono: float | None = None
        super().__init__(setpoints)

    @property
    def now(self) -> Stamp:
        ahead = self.utc_less_mono
        return Stamp(self.t, None if ahead is None else ahead + self.t)


def test_while_the_clock_is_not_set_the_calendar_waits_for_it() -> None:
    collector = Shifting(with_upkeep(every_s=100.0))
    collector.hold(800.0, 500)
    assert due(collector) == []
    collector.utc_less_mono = FIRST_UTC_S
    collector.poll(800.0)
    since_s = collector.t
    collector.hold(800.0, 150)
    assert due(collector) == [since_s + 100.0]


@pytest.mark.parametrize(("step_s", "after_s"), [(50.0, 100.0), (61.0, 39.0), (-200.0, 300.0)])
def test_a_step_of_the_clock_moves_the_calendar_along(step_s: float, after_s: float) -> None:
    """A small one is the clock being kept right."""
    collector = Shifting(with_upkeep(every_s=100.0))
    collector.utc_less_mono = FIRST_UTC_S
    collector.poll(800.0, after_s=0.0)
    collector.utc_less_mono += step_s
    collector.journal(True)
    collector.hold(800.0, 400)
    assert due(collector) == [after_s]


def test_emptying_the_drum_and_taking_a_zero_complete_their_own() -> None:
    names = sorted(COMPLETES.values())
    tasks = tuple(MaintenanceSetting(name, "", every_s=10.0) for name in names)
    collector = ready(replace(OFF, maintenance=tasks), blower_running=False).hold(3.0, 60)
    assert sorted(b.upkeep for b in collector.of(UpkeepDue)) == names
    record(collector, Entry.DRUM_EMPTIED)
    assert last(collector, LogEntry).upkeep == "drum"
    assert collector.ask(SetZero()).accepted
    collector.hold(3.0, 8)
    assert len(collector.of(ZeroTaken)) == 1
    assert not any(item.due for item in collector.state.log_book.maintenance.tasks)
