"""The whole machine under scenarios: speed, events, seeds, faults."""

from __future__ import annotations

import math
import tomllib
from typing import Any

import pytest

from dustcake_sim.events import Event, make_event
from dustcake_sim.machine import Machine
from dustcake_sim.scenario import Scenario, packaged_scenarios, parse_scenario


def scenario(**changes: Any) -> Scenario:
    text = packaged_scenarios()["welding_cell"].read_text(encoding="utf-8")
    return parse_scenario(tomllib.loads(text) | changes, "test")


def machine(speed: float = 1.0, seed: int = 0, **changes: Any) -> Machine:
    return Machine(scenario(**changes), speed=speed, seed=seed)


def event(kind: str, **fields: object) -> Event:
    return make_event(kind, 0.0, **fields)


def test_speed_loads_the_plant_faster_and_leaves_the_wire_alone() -> None:
    slow, fast = machine(1.0), machine(60.0)
    for each, seconds in ((slow, 600.0), (fast, 10.0)):
        each.outputs.switch_valves({}, {0: True}, 0.0)
        each.advance_to(seconds)
        assert each.scenario_s == pytest.approx(600.0)
        assert each.outputs.counts.longest_on_s == pytest.approx(0.1)
    assert fast.state.dust_in_kg == pytest.approx(slow.state.dust_in_kg, rel=2e-3)
    assert fast.state.cake_kg_m2[1] == pytest.approx(slow.state.cake_kg_m2[1], rel=2e-3)
    assert fast.state.air_used_kg == pytest.approx(slow.state.air_used_kg, rel=1e-9)


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan])
def test_speed_must_be_positive(speed: float) -> None:
    with pytest.raises(ValueError, match="give a positive number"):
        machine(speed)


def test_same_seed_same_run_however_it_is_stepped() -> None:
    def run(seed: int, step_s: float) -> list[float]:
        one = machine(60.0, seed)
        readings: list[float] = []
        for second in range(1, 11):
            while one.t_s < second - 1e-9:
                one.advance_to(min(one.t_s + step_s, second) + 1e-9)
            readings += [one.dp.value, one.header.value, one.flow.value]
        return readings

    assert run(3, 0.05) == run(3, 0.37)
    assert run(3, 0.05) != run(4, 0.05)


def test_events_happen_on_the_scenario_clock() -> None:
    events = [
        {"at_s": 0.0, "kind": "contact", "contact": "door_open", "closed": True},
        {"at_s": 120.0, "kind": "contact", "contact": "smoke", "closed": True},
        {"at_s": 180.0, "kind": "blower", "running": False},
    ]
    one = machine(60.0, event=events)
    at_first = {"smoke": False, "door_open": True, "process_equipment": True, "drum_full": False}
    seen: list[tuple[bool, bool]] = []
    for now_s in (0.0, 1.98, 2.02, 2.98, 3.02):
        one.advance_to(now_s)
        seen.append((one.contacts["smoke"], one.blower_running))
    assert one.contacts == at_first | {"smoke": True}
    assert seen == [(False, True), (False, True), (True, True), (True, True), (True, False)]


def test_wear_grows_evenly_and_stops() -> None:
    one = machine(60.0)
    new = one.state.residual_drag_pa_s_m[0]
    one.apply(event("filters_worn", added_drag_pa_s_m=12_000.0, over_s=120.0))
    one.advance_to(1.0)
    assert one.state.residual_drag_pa_s_m[0] - new == pytest.approx(6_000.0, rel=1e-6)
    one.advance_to(9.0)
    assert one.state.residual_drag_pa_s_m == pytest.approx((new + 12_000.0,) * 4, rel=1e-9)
    one.apply(event("filters_worn", added_drag_pa_s_m=500.0))
    assert one.state.residual_drag_pa_s_m[0] == pytest.approx(new + 12_500.0)
    one.apply(event("filters_worn", added_drag_pa_s_m=500.0, over_s=60.0))
    one.apply(event("filters_changed"))
    one.advance_to(12.0)
    assert one.state.residual_drag_pa_s_m == (new,) * 4


def test_wear_and_cleaning_of_one_row_alone() -> None:
    one = machine()
    one.apply(event("filters_worn", added_drag_pa_s_m=9000.0, row=3))
    one.apply(event("filters_worn", added_drag_pa_s_m=500.0, over_s=5.0, row=1))
    one.advance_to(6.0)
    assert one.state.residual_drag_pa_s_m == pytest.approx((32_500.0, 32_000.0, 41_000.0, 32_000.0))
    one.apply(event("row_cleaning", row=2, share=0.1))
    before = one.state.cake_kg_m2
    pulse_every_row(one)
    off = [was - now for was, now in zip(before, one.state.cake_kg_m2, strict=True)]
    assert off[1] == pytest.approx(0.1 * off[0], rel=0.05)
    one.apply(event("row_cleaning", row=2, share=1.0))
    before = one.state.cake_kg_m2
    pulse_every_row(one)
    assert one.state.cake_kg_m2[1] < 0.3 * before[1]


def test_a_clogged_strainer_makes_the_header_slow() -> None:
    one = machine()
    one.apply(event("header_supply", recharge_time_s=20.0))
    full_pa = one.state.header_gauge_pa
    pulse_every_row(one)
    one.advance_to(one.t_s + 5.0)
    assert one.state.header_gauge_pa < 0.95 * full_pa
    one.apply(event("header_supply", recharge_time_s=0.6))
    one.advance_to(one.t_s + 30.0)
    assert one.state.header_gauge_pa == pytest.approx(full_pa, rel=1e-3)


def test_damping_of_a_transmitter_can_be_set() -> None:
    one = machine()
    one.apply(event("damping", transmitter="flow", damping_s=600.0))
    one.advance_to(0.1)
    flow = one.flow.value
    one.apply(event("damper", opening=0.3))
    one.advance_to(10.0)
    assert one.point.flow_m3_s < 0.7 * flow
    assert one.flow.value == pytest.approx(flow, rel=0.03)
    assert one.dp.value < 0.7 * one.scenario.transmitters.dp.span_high


def test_dust_factor() -> None:
    plain, none = machine(), machine()
    none.apply(event("dust", factor=0.0))
    for each in (plain, none):
        each.advance_to(5.0)
    assert none.state.dust_in_kg == 0.0
    assert plain.state.dust_in_kg > 0.0


def test_remote_control_runs_the_blower_by_its_request_until_it_trips() -> None:
    one = machine(blower_control="remote", start={
        "blower_running": False, "process_equipment": True, "cake_kg_m2": 0.1,
    })  # fmt: skip
    one.advance_to(1.0)
    assert not one.blower_running
    one.outputs.blower_request = True
    one.advance_to(20.0)
    assert one.state.blower_speed == 1.0
    one.apply(event("blower_trip", tripped=True))
    assert not one.blower_running
    one.advance_to(120.0)
    assert one.point.dp_pa == 0.0
    one.apply(event("blower_trip", tripped=False))
    assert one.blower_running


def pulse_every_row(one: Machine) -> None:
    for valve in range(4):
        one.advance_to(one.t_s + 3.0)
        one.outputs.switch_valves({}, {valve: True}, one.t_s)
    one.advance_to(one.t_s + 3.0)


def test_a_valve_stuck_closed_takes_no_air_and_cleans_nothing() -> None:
    one = machine()
    one.apply(event("valve", valve=3, fault="stuck_closed"))
    before = one.state.cake_kg_m2
    pulse_every_row(one)
    cleaned = [now < 0.5 * was for now, was in zip(one.state.cake_kg_m2, before, strict=True)]
    assert cleaned == [True, True, False, True]
    assert one.outputs.counts.pulses == [1, 1, 1, 1]
    one.apply(event("valve", valve=3, fault="none"))
    pulse_every_row(one)
    assert one.state.cake_kg_m2[2] < 0.5 * before[2]


def test_a_valve_stuck_open_keeps_the_header_down() -> None:
    one = machine()
    healthy_pa = one.state.header_gauge_pa
    one.apply(event("valve", valve=1, fault="stuck_open"))
    one.advance_to(20.0)
    assert one.state.header_gauge_pa < 0.6 * healthy_pa
    assert one.outputs.counts.pulses == [0, 0, 0, 0]


def test_a_failed_supply_leaves_what_is_in_the_tank_unless_blown_down() -> None:
    one = machine()
    full_pa = one.state.header_gauge_pa
    one.apply(event("header_supply", gauge_pa=0.0))
    one.advance_to(5.0)
    assert one.state.header_gauge_pa == pytest.approx(full_pa)
    pulse_every_row(one)
    assert one.state.header_gauge_pa < 0.7 * full_pa
    one.apply(event("header_supply", gauge_pa=50_000.0, blow_down=True))
    assert one.state.header_gauge_pa == pytest.approx(50_000.0)
    one.apply(event("header_supply", gauge_pa=620_000.0))
    # Filled in seconds, but warm from it: pressure follows the regulator only as it cools.
    one.advance_to(one.t_s + 2.0)
    assert one.state.header_gauge_pa < 0.99 * 620_000.0
    one.advance_to(one.t_s + 40.0)
    assert one.state.header_gauge_pa == pytest.approx(620_000.0, rel=1e-3)


def test_transmitter_events_reach_the_right_instrument() -> None:
    one = machine()
    one.advance_to(2.0)
    steady_pa = one.dp.value
    one.apply(event("zero_drift", offset_pa=100.0))
    one.advance_to(2.1)
    assert one.dp.value == pytest.approx(steady_pa + 100.0, abs=15.0)
    one.apply(event("transmitter", fault="nan"))
    one.apply(event("transmitter", transmitter="header", fault="current", current_ma=3.5))
    one.apply(event("transmitter", transmitter="flow", fault="frozen"))
    assert math.isnan(one.dp.value)
    assert one.header.forced_current_ma == 3.5
    flow = one.flow.value
    one.advance_to(8.0)
    assert one.flow.value == flow


def test_sensing_line_events() -> None:
    one = machine()
    one.apply(event("sensing_line", line="swapped"))
    one.advance_to(10.0)
    assert one.dp.value == pytest.approx(-one.point.dp_pa, abs=15.0)
    one.apply(event("sensing_line", line="plugged"))
    one.advance_to(15.0)
    assert one.dp.value < -one.point.dp_pa * 0.9


def test_a_leaking_and_a_slowly_plugged_line() -> None:
    one = machine()
    one.apply(event("sensing_line", line="low_leaking", share=0.25))
    one.advance_to(5.0)
    expected_pa = one.point.dirty_side_gauge_pa - 0.75 * one.point.clean_side_gauge_pa
    assert one.dp.value == pytest.approx(expected_pa, abs=15.0)
    one.apply(event("sensing_line", line="plugged", over_s=20.0))
    one.advance_to(10.0)
    assert one.dp.value == pytest.approx(one.point.dp_pa, abs=15.0), "hardly plugged yet"
    one.advance_to(25.0)
    one.apply(event("blower_trip", tripped=True))
    one.advance_to(60.0)
    assert one.point.dp_pa < 10.0
    assert one.dp.value > 600.0, "shut in by the plug"


def test_plant_events_reach_the_plant() -> None:
    one = machine()
    open_flow = one.point.flow_m3_s
    one.apply(event("damper", opening=0.5))
    one.advance_to(0.05)
    assert one.point.flow_m3_s < 0.85 * open_flow
    one.apply(event("damper", opening=1.0))
    one.apply(event("weather", temperature_c=60.0, relative_humidity=0.2))
    one.advance_to(0.1)
    assert one.collector.air.viscosity_ratio == pytest.approx(1.102, abs=1e-3)
    assert one.point.flow_m3_s < open_flow
    before_pa = one.point.dp_pa
    one.apply(event("filter_torn", row=2, hole_mm2=20_000.0))
    one.advance_to(0.2)
    assert one.point.dp_pa < 0.95 * before_pa
    one.advance_to(5.0)
    assert one.state.emitted_kg > 0.0
    one.apply(event("sticky", factor=4.0))
    cake = one.state.cake_kg_m2[0]
    one.outputs.switch_valves({}, {0: True}, one.t_s)
    one.advance_to(one.t_s + 1.0)
    assert one.state.cake_kg_m2[0] == pytest.approx(0.8 * cake, rel=1e-2)


def test_a_drum_fills_up_is_told_and_is_emptied() -> None:
    plant = scenario().plant.model_dump() | {"drum": {"capacity_kg": 5.0}}
    one = machine(plant=plant)
    assert not one.collector.drum_full()
    pulse_every_row(one)
    assert one.state.drum_kg > 5.0
    assert one.collector.drum_full()
    one.apply(event("drum_emptied"))
    assert not one.collector.drum_full()
    one.apply(event("contact", contact="drum_full", closed=True))
    assert one.collector.drum_full()


def test_a_dp_transmitter_ages_on_the_scenario_clock() -> None:
    one = machine(60.0)
    one.apply(event("ageing", zero_pa_per_day=8640.0, span_per_day=-0.01))
    one.advance_to(10.0)
    assert one.dp.zero_error == pytest.approx(60.0, rel=1e-6)
    assert one.dp.span_error == pytest.approx(-0.01 * 600.0 / 86_400.0, rel=1e-6)


def test_a_leaking_header_and_a_weak_compressor() -> None:
    one = machine()
    one.apply(event("header_supply", compressor_kg_s=0.01, leak_m3_s_pa=3e-8))
    one.advance_to(60.0)
    # Leak at equilibrium equals what is delivered: C rho0 p = 0.01 kg/s.
    assert one.state.header_pa == pytest.approx(0.01 / (3e-8 * 1.185), rel=0.02)
    assert one.collector.supply.gauge_pa == 620_000.0, "the regulator stays as it was set"


def test_shifts_run_process_and_local_blower() -> None:
    shift = {
        "days": ["mon"], "from_h": 1.0, "to_h": 3.0, "dust_g_m3": 2.0,
        "breaks": [{"from_h": 2.0, "to_h": 2.5}],
    }  # fmt: skip
    one = machine(3600.0, load=[], load_repeat_s=None, shift=[shift])
    seen: list[tuple[bool, bool]] = []
    for hour in (0.5, 1.5, 2.25, 2.75, 3.5):
        one.advance_to(hour + 1e-6)
        seen.append((one.contacts["process_equipment"], one.blower_running))
    assert seen == [(False, False), (True, True), (False, True), (True, True), (False, False)]


def test_fieldbus_event() -> None:
    one = machine()
    one.apply(event("fieldbus", silent=True))
    assert one.fieldbus_silent


def test_an_event_made_wrongly_is_refused() -> None:
    with pytest.raises(ValueError, match="extra"):
        event("filters_changed", row=1)
