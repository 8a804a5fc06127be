"""Leaping over quiet samples must change nothing but the time it takes."""

from __future__ import annotations

import gc
import tracemalloc
from functools import partial
from itertools import pairwise
from typing import Any

import pytest

from closed_loop.loops import DAY_S, HOUR_S, closed_loop, comparable, varied
from dustcake_loop.closed_loop import ClosedLoop

pytestmark = pytest.mark.patience(240, "hours of a collector, each of them twice")

night = partial(pytest.param, marks=pytest.mark.night)

NOISY: dict[str, Any] = {
    "span_low": 0.0, "span_high": 2500.0, "damping_s": 3.0, "noise": 12.0, "resolution": 1.0,
}  # fmt: skip


def both(scenario: Any, until_s: float, seed: int) -> tuple[ClosedLoop, ClosedLoop]:
    leaping = closed_loop(scenario, seed=seed)
    plodding = closed_loop(scenario, seed=seed, leaping=False)
    assert comparable(leaping.events(until_s)) == comparable(plodding.events(until_s))
    assert leaping.samples == plodding.samples
    assert leaping.steps < plodding.steps
    return leaping, plodding


@pytest.mark.parametrize("seed", [0, night(1), night(2)])
@pytest.mark.parametrize(
    ("name", "hours"),
    [("welding_cell", 12.0), ("plasma_table", 10.0), ("grain_intake", 9.0), ("worn_filters", 2.0)],
)
def test_the_same_events_as_one_by_one(name: str, hours: float, seed: int) -> None:
    leaping, plodding = both(name, hours * HOUR_S, seed)
    ours, theirs = leaping.field.collector, plodding.field.collector
    assert ours.state.cake_kg_m2 == pytest.approx(theirs.state.cake_kg_m2, rel=1e-6)
    assert ours.state.header_pa == pytest.approx(theirs.state.header_pa, rel=1e-9)
    assert ours.state.dust_in_kg == pytest.approx(theirs.state.dust_in_kg, rel=1e-6)
    assert ours.dp.damped == pytest.approx(theirs.dp.damped, abs=0.02)


def test_a_drum_that_fills_between_two_samples_of_note() -> None:
    plant = varied("grain_intake").plant.model_dump()
    plant["drum"]["capacity_kg"] = 8.0
    leaping, _ = both(varied("grain_intake", plant=plant), 9.0 * HOUR_S, 1)
    assert leaping.state.contacts.drum_full


@pytest.mark.parametrize("seed", [0, night(1)])
def test_the_same_events_with_a_noisy_slow_transmitter_and_a_weak_header(seed: int) -> None:
    plain = varied("welding_cell")
    transmitters = plain.transmitters.model_dump() | {"dp": NOISY}
    plant = plain.plant.model_dump()
    plant["header"]["compressor_kg_s"] = 0.0015
    plant["header"]["leak_m3_s_pa"] = 1e-9
    events = [
        {"at_s": 7200.0, "kind": "ageing", "zero_pa_per_day": 40.0, "span_per_day": 0.01},
        {"at_s": 9000.0, "kind": "filters_worn", "added_drag_pa_s_m": 3000.0, "over_s": 5000.0},
    ]
    both(
        varied("welding_cell", transmitters=transmitters, plant=plant, event=events),
        8 * HOUR_S,
        seed,
    )


@pytest.mark.parametrize("seed", [0, night(1)])
def test_the_same_events_through_everything_that_can_happen(seed: int) -> None:
    happenings: list[dict[str, Any]] = [
        {"at_s": 3600.0, "kind": "valve", "valve": 2, "fault": "stuck_open"},
        {"at_s": 5000.0, "kind": "valve", "valve": 2, "fault": "none"},
        {"at_s": 6000.0, "kind": "sensing_line", "line": "wet", "column_pa": 90.0},
        {"at_s": 7200.5, "kind": "sensing_line", "line": "plugged", "over_s": 3000.0},
        {"at_s": 10_700.0, "kind": "sensing_line", "line": "low_leaking", "share": 0.1},
        {"at_s": 11_900.25, "kind": "sensing_line", "line": "clear"},
        {"at_s": 12_600.0, "kind": "weather", "temperature_c": 60.0},
        {"at_s": 13_000.0, "kind": "filter_torn", "row": 1, "hole_mm2": 3000.0},
        {"at_s": 14_000.0, "kind": "zero_drift", "offset_pa": -60.0},
        {"at_s": 14_500.0, "kind": "transmitter", "fault": "frozen"},
        {"at_s": 15_000.0, "kind": "transmitter", "fault": "none"},
        {"at_s": 15_500.0, "kind": "blower_trip", "tripped": True},
        {"at_s": 16_500.0, "kind": "blower_trip", "tripped": False},
        {"at_s": 17_000.0, "kind": "damper", "opening": 0.7},
    ]
    both(varied("welding_cell", event=happenings), 5.5 * HOUR_S, seed)


@pytest.mark.parametrize("seed", [1, night(2), night(3), night(4)])
def test_the_same_events_while_a_plug_closes(seed: int) -> None:
    # The lag grows from second to second: a leap that took one lag for all was a second late.
    happenings: list[dict[str, Any]] = [
        {"at_s": 3600.0, "kind": "valve", "valve": 2, "fault": "stuck_open"},
        {"at_s": 7200.0, "kind": "valve", "valve": 2, "fault": "none"},
        {"at_s": 9000.0, "kind": "sensing_line", "line": "plugged", "over_s": 3000.0},
        {"at_s": 12_500.0, "kind": "sensing_line", "line": "clear"},
    ]
    both(varied("welding_cell", event=happenings), 4.0 * HOUR_S, seed)


def test_the_same_seed_gives_the_same_run_and_another_does_not() -> None:
    runs = [
        comparable(closed_loop("plasma_table", seed=seed).events(12 * HOUR_S)) for seed in (5, 5, 6)
    ]
    assert runs[0] == runs[1]
    assert runs[0] != runs[2]


def test_a_run_may_be_taken_in_pieces() -> None:
    whole = comparable(closed_loop("welding_cell").events(6 * HOUR_S))
    loop = closed_loop("welding_cell")
    pieces = [comparable(loop.events(hour * HOUR_S)) for hour in (0.7, 2.0, 2.0, 6.0)]
    assert [each for piece in pieces for each in piece] == whole
    assert loop.t_s == 6 * HOUR_S


def test_short_leaps_change_no_event() -> None:
    loop = closed_loop("plasma_table", seed=5)
    loop.longest_leap_s = 20.0
    seen: list[float] = []
    short = comparable(loop.events(12 * HOUR_S, lambda each: seen.append(each.t_s)))
    assert short == comparable(closed_loop("plasma_table", seed=5).events(12 * HOUR_S))
    assert max(later - earlier for earlier, later in pairwise(seen)) <= 21.0


def test_memory_stays_flat() -> None:
    loop = closed_loop("welding_cell")
    grown: list[int] = []
    for day in (1.0, 3.0):
        for _event in loop.events(day * DAY_S):
            pass
        if not grown:
            tracemalloc.start()
        gc.collect()  # which also gives back what Python keeps for the next tuples
        grown.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert grown[1] - grown[0] < 100_000
