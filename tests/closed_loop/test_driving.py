"""What passes between the core and the simulated collector."""

from __future__ import annotations

from typing import Any

import pytest

from closed_loop.loops import DAY_S, HOUR_S, closed_loop, raised, setpoints, varied
from dustcake.core.events import (
    BlowerChanged,
    CleaningStarted,
    CleaningStopped,
    DemandSet,
    PulseFired,
    QualityChanged,
)
from dustcake.core.setpoints import OutputKind
from dustcake_loop.closed_loop import ClosedLoop


def cell(*events: dict[str, Any], **changes: Any) -> Any:
    return varied("welding_cell", event=list(events), **changes)


def test_a_cleaning_takes_cake_off_and_the_plant_says_so_too() -> None:
    loop = closed_loop("welding_cell")
    events = list(loop.events(3 * HOUR_S))
    started = [each.body for each in events if isinstance(each.body, CleaningStarted)]
    stopped = [each.body for each in events if isinstance(each.body, CleaningStopped)]
    fired = [each.body for each in events if isinstance(each.body, PulseFired)]
    assert len(started) == len(stopped) >= 2
    assert all(body.dp_pa is not None and body.dp_pa >= 1000.0 for body in started)
    assert all(body.dp_pa is not None and body.dp_pa <= 750.0 for body in stopped)
    counts = loop.field.outputs.counts
    assert sum(counts.pulses) == len(fired) == sum(body.pulses for body in stopped)
    assert counts.two_valves_at_once == 0
    assert counts.longest_on_s == pytest.approx(0.15)
    state, plant = loop.field.collector.state, loop.field.collector.plant
    on_filters_kg = sum(state.cake_kg_m2) * plant.row_area_m2
    start_kg = 0.2 * plant.area_m2
    assert on_filters_kg == pytest.approx(start_kg + state.dust_in_kg - state.dust_off_kg, rel=1e-9)


def test_valves_and_rows_must_agree() -> None:
    scenario = varied("grain_intake")
    with pytest.raises(ValueError, match="4 valves and the scenario's collector 6 rows"):
        ClosedLoop(scenario, setpoints(varied("welding_cell")))


@pytest.mark.parametrize(
    ("fault", "quality"),
    [
        ({"fault": "nan"}, "failure"),
        ({"fault": "current", "current_ma": 0.0}, "failure"),
        ({"fault": "current", "current_ma": 3.7}, "out_of_specification"),
    ],
)
def test_faults_of_the_transmitter_reach_the_core(fault: dict[str, Any], quality: str) -> None:
    events = (
        {"at_s": 600.0, "kind": "transmitter", **fault},
        {"at_s": 900.0, "kind": "transmitter", "fault": "none"},
    )
    told = [
        (each.at.mono_s, each.body.quality)
        for each in closed_loop(cell(*events)).events(1200.0)
        if isinstance(each.body, QualityChanged)
    ]
    assert told == [(0.0, "good"), (600.0, quality), (900.0, "good")]


def test_a_starved_loop_reads_too_low_and_a_leaking_one_too() -> None:
    healthy = closed_loop(cell())
    list(healthy.events(600.0))
    right_pa = healthy.state.sample.pa
    assert right_pa is not None
    readings: list[float] = []
    for fault in ({"fault": "starved", "current_ma": 7.0}, {"fault": "leaking", "current_ma": 2.0}):
        loop = closed_loop(cell({"at_s": 0.0, "kind": "transmitter", **fault}))
        list(loop.events(600.0))
        assert loop.state.sample.pa is not None
        readings.append(loop.state.sample.pa)
    assert readings[0] == pytest.approx(3.0 / 16.0 * 2500.0, abs=0.5)
    assert readings[1] == pytest.approx(right_pa - 2.0 / 16.0 * 2500.0, abs=15.0)


def test_a_silent_device_loses_readings_and_outputs_and_comes_back() -> None:
    events = (
        {"at_s": 1400.0, "kind": "fieldbus", "silent": True},
        {"at_s": 1700.0, "kind": "fieldbus", "silent": False},
    )
    loop = closed_loop(cell(*events))
    told = list(loop.events(3600.0))
    lost = [each.at.mono_s for each in told if isinstance(each.body, QualityChanged)]
    assert lost[1:] == [1400.0, 1700.0]
    # One cause, one alarm: that of the transmitter is suppressed for it.
    assert set(raised(told)) == {"fieldbus_lost"}
    assert loop.field.outputs.counts.two_valves_at_once == 0
    # It cleans again once it is back.
    assert any(isinstance(each.body, PulseFired) and each.at.mono_s > 1700.0 for each in told)


def test_smoke_ends_the_pulse_under_way() -> None:
    first = next(
        each.at.mono_s
        for each in closed_loop("welding_cell", sample_s=0.1).events(HOUR_S)
        if isinstance(each.body, CleaningStarted)
    )
    smoke = {"at_s": first + 0.05, "kind": "contact", "contact": "smoke", "closed": True}
    # Polled often enough to see it while the valve is on.
    loop = closed_loop(cell(smoke), sample_s=0.1)
    told = list(loop.events(first + 60.0))
    ended = [(each.at, each.body) for each in told if isinstance(each.body, PulseFired)]
    assert [body.ended_early for _, body in ended] == [True]
    assert ended[0][0].mono_s == pytest.approx(first + 0.1)
    assert loop.field.outputs.counts.longest_on_s == pytest.approx(0.1)
    assert "smoke" in raised(told)
    assert not any(loop.field.outputs.energised())


def test_a_sequencer_board_pulses_while_its_contact_is_closed() -> None:
    changes = {"pulsing": {"kind": OutputKind.DEMAND_CONTACT, "sequencer_cycle_s": 40.0}}
    loop = closed_loop("welding_cell", changes=changes)
    told = list(loop.events(3 * HOUR_S))
    closings = [each.body.closed for each in told if isinstance(each.body, DemandSet)]
    assert closings[:4] == [True, False, True, False]
    counts = loop.field.outputs.counts.pulses
    assert sum(counts) >= 8
    assert max(counts) - min(counts) <= 1
    assert loop.field.outputs.counts.longest_on_s == pytest.approx(0.15)


def test_the_blower_follows_the_process_and_its_run_request() -> None:
    loop = closed_loop("shift_year")
    told = [
        (each.at.mono_s / HOUR_S, each.body.running)
        for each in loop.events(2 * DAY_S)
        if isinstance(each.body, BlowerChanged)
    ]
    changes = [(round(hour, 2), running) for hour, running in told if running is not None]
    assert changes == [
        (0.0, False), (6.0, True), (22.67, False), (30.0, True), (46.67, False),
    ]  # fmt: skip


def test_the_watch_sees_time_move_on() -> None:
    seen: list[float] = []
    loop = closed_loop("welding_cell")
    list(loop.events(HOUR_S, lambda each: seen.append(each.t_s)))
    assert seen == sorted(seen)
    assert seen[-1] == HOUR_S
    assert len(seen) < 600
