"""The stories that the packaged scenarios are there to tell, told by the daemon's own core."""

from __future__ import annotations

import pytest

from closed_loop.loops import DAY_S, HOUR_S, closed_loop, raised
from dustcake.core.events import AlarmChanged, CleaningStarted, Event, FindingChanged
from dustcake_loop.closed_loop import ClosedLoop
from dustcake_sim.scenario import load_scenario, packaged_scenarios

pytestmark = pytest.mark.patience(240, "days of a collector, sample by sample")


def run(name: str, until_s: float | None = None, seed: int = 1) -> tuple[ClosedLoop, list[Event]]:
    loop = closed_loop(name, seed=seed)
    events = list(loop.events(load_scenario(name).days * DAY_S if until_s is None else until_s))
    assert loop.field.outputs.counts.two_valves_at_once == 0
    return loop, events


def test_every_scenario_names_settings_and_says_how_long_it_takes() -> None:
    for name in packaged_scenarios():
        scenario = load_scenario(name)
        assert scenario.settings is not None
        closed_loop(name)
        assert scenario.title
        assert 0.0 < scenario.days <= 366.0


def test_welding_cell() -> None:
    loop, events = run("welding_cell")
    assert raised(events) == {}
    assert sum(isinstance(each.body, CleaningStarted) for each in events) > 10
    assert loop.field.collector.point.dp_pa < 1050.0


def test_worn_filters() -> None:
    _, events = run("worn_filters")
    alarms = raised(events)
    assert {"cleaning_not_effective", "filter_replacement"} <= set(alarms)
    starts = [each.at.mono_s for each in events if isinstance(each.body, CleaningStarted)]
    assert starts[0] < 3900.0 < alarms["filter_replacement"] * HOUR_S


def test_failed_valve() -> None:
    loop, events = run("failed_valve", 2 * DAY_S + 9 * HOUR_S)
    assert set(raised(events)) == {"valve_does_not_fire"}, "which explains what it leads to"
    cakes = loop.field.collector.state.cake_kg_m2
    assert cakes[2] > 5.0 * max(cakes[0], cakes[1], cakes[3])


def test_stuck_valve() -> None:
    loop, events = run("stuck_valve", DAY_S + 6 * HOUR_S)
    alarms = raised(events)
    assert 12.0 <= alarms["valve_stuck_open"] < 12.01
    assert alarms["high_dp"] > alarms["valve_stuck_open"]
    state = loop.field.collector.state
    # What a compressor of 0.02 kg/s has in six hours went through one valve.
    assert state.air_used_kg > 0.95 * 6 * 3600 * 0.02
    pulses = sum(loop.field.outputs.counts.pulses)
    list(loop.events(2 * DAY_S + 14 * HOUR_S))
    # Slow on the second day; on the third the leak takes more than comes.
    assert sum(loop.field.outputs.counts.pulses) > pulses
    assert loop.field.collector.state.header_gauge_pa < 0.6 * 620_000.0
    list(loop.events(2 * DAY_S + 16 * HOUR_S))
    assert loop.field.collector.state.header_gauge_pa == pytest.approx(620_000.0, rel=1e-3)


def test_blocked_row() -> None:
    loop, _ = run("blocked_row", DAY_S + 13 * HOUR_S)
    collector = loop.field.collector
    cakes = collector.state.cake_kg_m2
    assert cakes[1] > 5.0 * max(cakes[0], cakes[2], cakes[3])
    # The header knows nothing of it, and the valve fired as often as any other.
    assert collector.state.header_gauge_pa == pytest.approx(620_000.0, rel=1e-3)
    counts = loop.field.outputs.counts.pulses
    assert max(counts) - min(counts) <= 1
    told = list(loop.events(4 * DAY_S + 6 * HOUR_S))
    assert "cleaning_not_effective" in raised(told)
    drags = collector.state.residual_drag_pa_s_m
    assert drags[3] > 4.0 * max(drags[:3])


def test_wrong_readings() -> None:
    loop, events = run("wrong_readings")
    alarms = raised(events)
    assert 3 * 24.0 + 13.0 < alarms["transmitter_fault"] < 3 * 24.0 + 13.1
    assert 24.0 + 8.0 < alarms["sensing_line_suspect"] < 24.0 + 13.0, "frozen"
    assert alarms["filter_torn"] > 24.0 + 8.0, "or a line that leaks"
    collector = loop.field.collector
    assert collector.dp.zero_error == 0.0
    assert max(collector.state.residual_drag_pa_s_m) < 41_250.0, "no filter is the worse for it"


def test_tired_compressor() -> None:
    loop, events = run("tired_compressor")
    alarms = raised(events)
    assert alarms["header_pressure_low"] < alarms["high_dp"]
    state = loop.field.collector.state
    assert state.air_leaked_kg > 5.0 * state.air_used_kg
    # Repaired on the third day.
    assert state.header_gauge_pa == pytest.approx(620_000.0, rel=1e-3)


def test_plugged_line() -> None:
    loop, events = run("plugged_line")
    alarms = raised(events)
    # The gauge climbs and falls; the filters never needed changing.
    assert 8.0 < alarms["sensing_line_suspect"] < 17.0, "plugged, before the hose splits"
    assert "low_dp" not in alarms
    assert "filter_replacement" not in alarms, "explained by the reading that is suspect"
    assert max(loop.field.collector.state.residual_drag_pa_s_m) < 41_250.0


def test_torn_filter() -> None:
    loop, events = run("torn_filter")
    alarms = raised(events)
    # Fallen at once when it tore, and too low for these filters when it came off.
    assert 24.0 + 8.5 < alarms["filter_torn"] < 24.0 + 8.6
    found = [each.body for each in events if isinstance(each.body, FindingChanged)]
    assert [(each.finding, each.found) for each in found] == [
        ("filter_torn", True),
        ("filter_torn", False),
    ]
    assert loop.field.collector.state.emitted_kg > 1.0
    torn_s, mended_s = DAY_S + 14 * HOUR_S, 2 * DAY_S + 9 * HOUR_S
    starts = [each.at.mono_s for each in events if isinstance(each.body, CleaningStarted)]
    assert not any(torn_s < at_s < mended_s for at_s in starts)
    assert any(at_s > mended_s for at_s in starts)


def test_humid_week() -> None:
    loop, events = run("humid_week")
    assert "cleaning_not_effective" in raised(events)
    wet = min(loop.field.collector.state.residual_drag_pa_s_m) - 40_000.0
    dry = load_scenario("humid_week").model_copy(update={"event": ()})
    dry_loop = closed_loop(dry, seed=1)
    list(dry_loop.events(7 * DAY_S))
    assert wet > 1.8 * (max(dry_loop.field.collector.state.residual_drag_pa_s_m) - 40_000.0)


def test_plasma_table_in_thin_air() -> None:
    loop, events = run("plasma_table")
    assert raised(events) == {}
    collector = loop.field.collector
    assert collector.plant.ambient_pa == pytest.approx(93_200.0, rel=1e-3)
    assert collector.air.density_ratio == pytest.approx(0.92, rel=5e-3)


def test_grain_intake_fills_its_drum() -> None:
    loop, events = run("grain_intake", 3 * DAY_S)
    assert loop.field.collector.drum_full()
    assert 24.0 < raised(events)["drum_full"] < 72.0
    # A full drum gives back: the same cake takes more pulses.
    days = [0, 0, 0]
    again = closed_loop("grain_intake", seed=1)
    for each in again.events(3 * DAY_S):
        days[int(each.at.mono_s // DAY_S)] += each.body.name == "pulse"
    assert days[2] > days[0]
    emptied = list(again.events(3 * DAY_S + 9 * HOUR_S))
    assert not again.field.collector.drum_full()
    states = [
        (each.body.state, each.at.mono_s - 3 * DAY_S)
        for each in emptied
        if isinstance(each.body, AlarmChanged) and each.body.alarm == "drum_full"
    ]
    assert [state for state, _ in states] == ["returned"]
    assert 7 * HOUR_S < states[0][1] < 9 * HOUR_S


def test_shift_year_begins_well() -> None:
    loop, events = run("shift_year", 7 * DAY_S)
    assert raised(events) == {}
    weekend_s = 5 * DAY_S + HOUR_S
    told = [each for each in events if each.body.name != "upkeep_due"]
    assert all(each.at.mono_s < weekend_s for each in told)
    assert loop.field.collector.dp.zero_error == pytest.approx(7 * 0.02, rel=1e-6)
