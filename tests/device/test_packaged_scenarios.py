"""The stories that the packaged scenarios are there to tell, told by a plain two-point control."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dustcake_sim.machine import Machine
from dustcake_sim.plant.advance import operating_point
from dustcake_sim.scenario import load_scenario, packaged_scenarios

LOW_PA, HIGH_PA, REPLACE_PA = 750.0, 1000.0, 1250.0


def story(
    name: str, speed: float, interval_s: float, on_delay_s: float, until_s: float
) -> tuple[list[tuple[str, float]], list[tuple[float, float]]]:
    """When cleanings start and stop, and dP as read, over `until_s` of the wall's time."""
    one = Machine(load_scenario(name), speed=speed, seed=7)
    told: list[tuple[str, float]] = []
    trace: list[tuple[float, float]] = []
    cleaning, high_since_s, due_s, pulses = False, float("inf"), 0.0, 0
    for tick in range(1, int(until_s * 2) + 1):
        now_s = tick * 0.5
        one.advance_to(now_s)
        dp_pa = one.dp.value
        trace.append((now_s, dp_pa))
        high_since_s = min(high_since_s, now_s) if dp_pa >= HIGH_PA else float("inf")
        if not cleaning and now_s - high_since_s >= on_delay_s:
            cleaning, due_s = True, now_s
            told.append(("start", now_s))
        elif cleaning and dp_pa <= LOW_PA:
            cleaning = False
            told.append(("stop", now_s))
        if cleaning and now_s >= due_s:
            one.outputs.switch_valves({}, {(0, 2, 1, 3)[pulses % 4]: True}, now_s)
            pulses, due_s = pulses + 1, due_s + interval_s
    assert one.outputs.counts.two_valves_at_once == 0
    return told, trace


@pytest.mark.parametrize(
    ("speed", "interval_s", "on_delay_s"),
    [(60.0, 3.0, 2.0), (60.0, 4.0, 3.0), (60.0, 5.0, 5.0), (90.0, 3.0, 3.0), (120.0, 3.0, 2.0)],
)
def test_worn_filters(speed: float, interval_s: float, on_delay_s: float) -> None:
    told, trace = story("worn_filters", speed, interval_s, on_delay_s, 110.0)
    assert [what for what, _ in told] == ["start", "stop", "start"], told
    (_, started_s), (_, stopped_s), (_, again_s) = told
    assert started_s < 25.0
    assert stopped_s < 45.0
    assert again_s < 75.0
    above_s = next(when for when, dp_pa in trace if dp_pa > REPLACE_PA)
    assert stopped_s < above_s < 80.0
    # From there on a full cleaning of all rows, several times over, never brings it back.
    settled = [dp_pa for when, dp_pa in trace if when > above_s + 2.0]
    assert min(settled) > REPLACE_PA
    assert (110.0 - above_s) / interval_s > 6, "at least one and a half cycles of four rows"


@pytest.mark.parametrize("interval_s", [3.0, 5.0])
def test_welding_cell_loads_and_is_cleaned_again_and_again(interval_s: float) -> None:
    told, trace = story("welding_cell", 60.0, interval_s, 3.0, 600.0)
    assert [what for what, _ in told[:4]] == ["start", "stop", "start", "stop"], told
    assert told[0][1] < 45.0
    assert told[1][1] - told[0][1] < 30.0
    assert told[2][1] - told[1][1] > 30.0
    assert max(dp_pa for _, dp_pa in trace) < 1100.0


@pytest.mark.parametrize("name", packaged_scenarios())
def test_every_plant_has_values_a_real_one_could_have(name: str) -> None:
    scenario = load_scenario(name)
    one = Machine(scenario, seed=3)
    media, header = one.collector.plant.media, one.collector.plant.header
    # 1 to 50 in US units, from a table of dusts (Wang, Pereira, Hung, Air Pollution Control
    # Engineering, 2004; secondary source).
    assert 1e4 <= media.cake_resistance_per_s <= 5e5
    # Common practice, no source: 0.5 to 3 ft/min on cartridges, 60 to 100 psi at the header. The
    # two that load and are cleaned before one's eyes are driven a little harder, and filters
    # without a cake pass more until the damper is set.
    most = {"welding_cell": 3.5, "worn_filters": 3.5, "new_filters": 4.0}.get(name, 3.0)
    running = replace(one.state, blower_speed=1.0)
    point = operating_point(one.collector.plant, running, one.collector.air)
    assert 0.5 < point.flow_m3_s / one.collector.plant.area_m2 / 0.00508 < most
    assert 60 * 6894.757 < scenario.plant.header.supply_gauge_pa < 100 * 6894.757
    # Half an inch of water for clean fabric at an ordinary ratio, by the same book; media that
    # dust has been on has about twice that.
    clean = replace(running, cake_kg_m2=(0.0,) * one.collector.plant.rows)
    clean_pa = operating_point(one.collector.plant, clean, one.collector.air).dp_pa
    assert 1.0 * 249.0 < clean_pa < 2.6 * 249.0
    # A diaphragm lifts 10 to 30 ms after its solenoid, and a tank is back well within the 10 s
    # to the next pulse (common practice, no source).
    assert 0.01 <= header.opening_delay_s <= 0.03
    assert header.recharge_time_s < 1.0
    one.advance_to(5.0)
    before = one.state
    one.outputs.settings.one_shot_s = 0.15
    one.outputs.switch_valves({}, {0: True}, one.t_s)
    one.advance_to(one.t_s + 0.15)
    dip = 1.0 - one.state.header_gauge_pa / before.header_gauge_pa
    assert 0.1 < dip < 0.4
    one.advance_to(one.t_s + 9.85)
    assert one.state.header_gauge_pa > 0.98 * before.header_gauge_pa
    used_kg = one.state.air_used_kg - before.air_used_kg
    # Within a factor of 1.5 of the 41 L of free air that 30 L give from 90 to 70 psi.
    assert 41e-3 / 1.5 < used_kg / 1.204 < 41e-3 * 1.5
