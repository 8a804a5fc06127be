"""The physics against independent libraries, published closed forms and the shape of a standard
test. Library versions: fluids 1.3.1, CoolProp 8.0.0, psychrolib 2.5.0, scipy 1.17.1."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import fluids.atmosphere
import fluids.compressible
import fluids.packed_bed
import fluids.safety_valve
import numpy as np
import psychrolib
import pytest
from scipy.integrate import solve_ivp

from dustcake_sim.plant.advance import advance, operating_point
from dustcake_sim.plant.air import (
    REFERENCE_AIR,
    air_at,
    density_kg_m3,
    pressure_at_altitude_pa,
    saturation_pa,
    viscosity_pa_s,
)
from dustcake_sim.plant.fan import Fan, duct_pa_s2_m6, flow_m3_s
from dustcake_sim.plant.header import AMBIENT_PA, AirSupply, air_kg, valve_flow_kg_s
from dustcake_sim.plant.media import Media, drag_pa_s_m
from dustcake_sim.plant.pulse import Drum, removed_share
from dustcake_sim.plant.state import Plant, State, new_state
from dustcake_sim.plant.tank import tank_after
from dustcake_sim.plant.wear import torn
from plant.plants import (
    COUPLED,
    HEADER,
    MEDIA,
    SUPPLY_GAUGE_PA,
    constant_flow,
    loading,
    pulsed,
)
from plant.real_air import of_air

PSI_PA = 6894.757293168361


def test_density_of_air() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(20.0, 0.5, 101_325.0)
    moist = psychrolib.GetMoistAirDensity(20.0, ratio, 101_325.0)
    assert moist == pytest.approx(1.1988979667, rel=1e-9)
    assert density_kg_m3(293.15, relative_humidity=0.5) == pytest.approx(moist, rel=1e-4)
    dry = of_air("D", 293.15, 101_325.0)
    assert density_kg_m3(293.15) == pytest.approx(dry, rel=1e-3)
    assert density_kg_m3(313.15) == pytest.approx(1.127246, rel=1e-4)


@pytest.mark.parametrize("celsius", [0.0, 10.0, 20.0, 35.0, 50.0])
def test_vapour_pressure(celsius: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    expected_pa = psychrolib.GetSatVapPres(celsius)
    assert saturation_pa(273.15 + celsius) == pytest.approx(expected_pa, rel=3e-3)


def test_viscosity_of_air() -> None:
    assert viscosity_pa_s(293.15) == pytest.approx(1.813322e-5, rel=1e-6)
    assert viscosity_pa_s(333.15) == pytest.approx(1.998732e-5, rel=1e-6)
    for kelvin in (273.15, 293.15, 333.15, 373.15):
        expected = of_air("V", kelvin, 101_325.0)
        assert viscosity_pa_s(kelvin) == pytest.approx(expected, rel=8e-3)


@pytest.mark.parametrize("altitude_m", [0.0, 500.0, 1500.0, 3000.0])
def test_pressure_at_altitude(altitude_m: float) -> None:
    expected_pa = fluids.atmosphere.ATMOSPHERE_1976(altitude_m).P
    assert pressure_at_altitude_pa(altitude_m) == pytest.approx(expected_pa, rel=1e-6)


def test_hot_gas_raises_laminar_dp_by_its_viscosity() -> None:
    # At constant flow; 20 to 60 C is 10 %.
    plant = constant_flow(1.2)
    state = new_state(plant, cake_kg_m2=0.1, blower_speed=1.0)
    hot = air_at(333.15)
    cold_pa = operating_point(plant, state).dp_pa
    # The constant-flow fan is so strong that density does not slow it.
    hot_pa = operating_point(plant, state, hot).dp_pa
    assert hot_pa / cold_pa == pytest.approx(1.102, abs=5e-4)


def test_thin_air_weakens_fan_and_duct_alike() -> None:
    # Fan laws: at constant Q and n, pressure goes with density.
    high = air_at(293.15, pressure_at_altitude_pa(1500.0))
    fan, duct = Fan(3000.0, 600.0), COUPLED.duct
    # Without filters the flow is then the same; with them it is less.
    alone, thin = (flow_m3_s(fan, duct, 0.0, 1.0, air=air) for air in (REFERENCE_AIR, high))
    assert thin == pytest.approx(alone)
    # All that pressure is lost in the duct, so density shows there.
    assert duct_pa_s2_m6(duct, 1.0, high) / duct.resistance_pa_s2_m6 == high.density_ratio
    state = new_state(COUPLED, blower_speed=1.0)
    low = operating_point(COUPLED, state)
    point = operating_point(COUPLED, state, high)
    assert point.flow_m3_s < low.flow_m3_s
    assert point.dp_pa / low.dp_pa == pytest.approx(point.flow_m3_s / low.flow_m3_s)


def test_a_half_shut_damper_has_four_times_the_loss() -> None:
    state = new_state(COUPLED, blower_speed=1.0)
    half = operating_point(COUPLED, state, damper=0.5)
    loss = -half.dirty_side_gauge_pa / half.flow_m3_s**2
    assert loss == pytest.approx(4.0 * COUPLED.duct.resistance_pa_s2_m6)
    shut = operating_point(COUPLED, state, damper=0.0)
    assert (shut.flow_m3_s, shut.dp_pa, shut.dirty_side_gauge_pa) == (0.0, 0.0, 0.0)


def test_cake_resistance_of_a_packed_bed() -> None:
    # Carman-Kozeny with Carman's 180: K2 = 180 mu (1-e) / (rho d^2 e^3).
    viscosity, size_m, void, density, depth_m, velocity = 1.82e-5, 5e-6, 0.7, 2700.0, 1e-3, 0.02
    k2 = 180.0 * viscosity * (1.0 - void) / (density * size_m**2 * void**3)
    cake = density * (1.0 - void) * depth_m
    assert (k2, cake) == pytest.approx((42_448.980, 0.81), rel=1e-7)
    media = replace(MEDIA, cake_resistance_per_s=k2)
    dp_pa = drag_pa_s_m(media, 0.0, cake) * velocity
    assert dp_pa == pytest.approx(687.673469, rel=1e-8)
    # The library adds Carman's small inertial term.
    bed_pa = fluids.packed_bed.Carman(size_m, void, velocity, 1.2, viscosity, depth_m)
    assert dp_pa == pytest.approx(bed_pa, rel=1e-3)


def test_a_choked_valve_against_an_ideal_nozzle() -> None:
    # 0.199195 dm3/(s bar) of conductance for each mm2 of ideal nozzle: 1/4 in, 100 psig, 70 F.
    area_m2 = math.pi / 4.0 * 0.00635**2
    flow = valve_flow_kg_s(0.001991949 * area_m2, 0.528282, 114.696 * PSI_PA, AMBIENT_PA, 294.2611)
    assert flow == pytest.approx(0.05900581, rel=1e-4)
    needed_m2 = fluids.safety_valve.API520_A_g(
        m=flow, T=294.2611, Z=1.0, MW=28.9647, k=1.4, P1=114.696 * PSI_PA, P2=AMBIENT_PA,
        Kd=1.0, Kb=1.0, Kc=1.0,
    )  # fmt: skip
    assert needed_m2 == pytest.approx(area_m2, rel=1e-3)
    ratio = fluids.compressible.P_critical_flow(1.0, 1.4)
    assert ratio == pytest.approx(0.528282, rel=1e-6)


@pytest.mark.parametrize(
    "supply",
    [
        AirSupply(SUPPLY_GAUGE_PA),
        AirSupply(SUPPLY_GAUGE_PA, most_kg_s=0.05),
        AirSupply(SUPPLY_GAUGE_PA, most_kg_s=0.004, leak_m3_s_pa=1e-8),
        AirSupply(0.0),
        AirSupply(300_000.0, leak_m3_s_pa=3e-8),
    ],
)
@pytest.mark.parametrize("open_valves", [0, 1, 2])
@pytest.mark.parametrize(
    ("start_gauge_pa", "span_s"),
    [(20_000.0, 0.7), (250_000.0, 0.2), (620_000.0, 0.15), (620_000.0, 3.0)],
)
def test_the_tank_against_a_solver(
    supply: AirSupply, open_valves: int, start_gauge_pa: float, span_s: float
) -> None:
    # Mass and temperature, written out anew: regulator or compressor in, ISO 6358 out, the wall.
    header, volume_m3, room_k, gas = HEADER, HEADER.volume_m3, 293.15, 287.05
    conductance = open_valves * header.conductance_m3_s_pa + supply.leak_m3_s_pa
    heat_v, heat_p = gas / 0.4, 1.4 * gas / 0.4

    def rates(_t_s: float, at: np.ndarray) -> list[float]:
        mass_kg, kelvin = float(at[0]), float(at[1])
        pressure_pa = mass_kg * gas * kelvin / volume_m3
        short_pa = AMBIENT_PA + supply.gauge_pa - pressure_pa
        regulated = max(0.0, short_pa) / header.recharge_time_s * volume_m3 / (gas * room_k)
        into = min(regulated, supply.most_kg_s)
        out = valve_flow_kg_s(conductance, header.critical_ratio, pressure_pa, AMBIENT_PA, kelvin)
        wall_w = mass_kg * heat_v * (room_k - kelvin) / header.warming_time_s
        energy_w = into * heat_p * room_k - out * heat_p * kelvin + wall_w
        warming = (energy_w - heat_v * kelvin * (into - out)) / (mass_kg * heat_v)
        return [into - out, warming, into, out]

    start_pa = AMBIENT_PA + start_gauge_pa
    start_kg = air_kg(header, start_pa)
    solved = solve_ivp(
        rates, (0.0, span_s), [start_kg, room_k, 0.0, 0.0], rtol=1e-10, atol=1e-12, max_step=1e-3
    )
    mass_kg, kelvin, supplied_kg, out_kg = solved.y[:, -1]
    tank = tank_after(header, start_pa, start_kg, supply, open_valves, span_s)
    after_kg = start_kg + tank.supplied_kg - tank.blown_kg - tank.leaked_kg
    assert tank.pressure_pa == pytest.approx(mass_kg * gas * kelvin / volume_m3, rel=1e-5)
    assert after_kg == pytest.approx(mass_kg, rel=1e-5)
    assert tank.supplied_kg == pytest.approx(supplied_kg, rel=1e-5, abs=3e-6)
    assert tank.blown_kg + tank.leaked_kg == pytest.approx(out_kg, rel=1e-5, abs=3e-6)


def test_a_compressible_cake_against_its_own_equation() -> None:
    media = replace(MEDIA, compression_s_m=20.0)
    plant = replace(COUPLED, media=media)
    state = replace(new_state(plant, blower_speed=1.0), cake_kg_m2=(0.0, 0.1, 0.2, 0.4))
    point = operating_point(plant, state)
    for velocity, cake in zip(point.face_velocity_m_s, state.cake_kg_m2, strict=True):
        drag = 40_000.0 + 1e5 * (1.0 + 20.0 * velocity) * cake
        assert drag * velocity == pytest.approx(point.dp_pa, rel=1e-9)
    fan_pa = plant.fan.shutoff_pa - plant.fan.curve_pa_s2_m6 * point.flow_m3_s**2
    assert fan_pa + point.dirty_side_gauge_pa == pytest.approx(point.dp_pa, rel=1e-9)


def test_a_hole_passes_what_a_sharp_edge_does() -> None:
    plant = COUPLED
    whole = new_state(plant, cake_kg_m2=0.2, blower_speed=1.0)
    holed = torn(whole, 2, 5e-4)
    point = operating_point(plant, holed)
    leak = point.flow_m3_s - sum(point.face_velocity_m_s) * plant.row_area_m2
    speed = math.sqrt(2.0 * point.dp_pa / REFERENCE_AIR.density_kg_m3)
    assert leak == pytest.approx(0.61 * 5e-4 * speed, rel=1e-7)
    after = advance(plant, holed, 600.0, loading(plant))
    assert after.emitted_kg == pytest.approx(1e-3 * leak * 600.0, rel=1e-2)


# --- cleaning, cycle by cycle


def after_cycle(plant: Plant, state: State, load_s: float, dust_kg_m3: float = 1e-3) -> State:
    """Load, then pulse every row once."""
    state = advance(plant, state, load_s, loading(plant, dust_kg_m3))
    for row in range(plant.rows):
        state = pulsed(plant, state, row, loading(plant, 0.0))
    return state


def single_row(pulse_pressure_pa: float) -> Plant:
    media = replace(MEDIA, removed_per_pulse=1.0, pulse_pressure_pa=pulse_pressure_pa)
    plant = replace(constant_flow(0.3), rows=1, media=media)
    return replace(plant, header=replace(HEADER, opening_delay_s=0.0))


@pytest.mark.parametrize("pulse_pressure_pa", [1500.0, 2000.0, 4000.0])
def test_steady_dp_of_a_strong_pulse(pulse_pressure_pa: float) -> None:
    # Leith and Ellenbecker, Atmospheric Environment 14, 1980; closed form from memory:
    # dP = 1/2 (Ps + K1 V - sqrt((Ps - K1 V)^2 - 4 W0 K2/K3)). The share removed here is
    # (Ps - dP)/Ps, which makes K3 = 1/(Ps V).
    plant = single_row(pulse_pressure_pa)
    velocity, load = 0.015, 0.03
    state = new_state(plant, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    loaded_up = state
    for _ in range(300):
        loaded_up = advance(plant, state, load / (1e-3 * velocity), loading(plant))
        state = pulsed(plant, loaded_up, 0, loading(plant, 0.0))
    media_pa = 40_000.0 * velocity
    root = (pulse_pressure_pa - media_pa) ** 2 - 4.0 * load * 1e5 * velocity * pulse_pressure_pa
    assert root > 0.0
    expected_pa = 0.5 * (pulse_pressure_pa + media_pa - math.sqrt(root))
    assert operating_point(plant, loaded_up).dp_pa == pytest.approx(expected_pa, rel=1e-4)


def test_dp_runs_away_when_the_pulse_is_too_weak() -> None:
    # No real root in the closed form above: there is no dP at which as much leaves as arrives.
    pulse_pressure_pa, load = 900.0, 0.03
    plant = single_row(pulse_pressure_pa)
    assert (pulse_pressure_pa - 600.0) ** 2 < 4.0 * load * 1e5 * 0.015 * pulse_pressure_pa
    state = new_state(plant, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    dps_pa: list[float] = []
    for _ in range(60):
        state = advance(plant, state, load / (1e-3 * 0.015), loading(plant))
        dps_pa.append(operating_point(plant, state).dp_pa)
        state = pulsed(plant, state, 0, loading(plant, 0.0))
    assert all(later > earlier for earlier, later in pairwise(dps_pa))
    # In the end nothing comes off and every cycle adds its whole load.
    assert dps_pa[-1] - dps_pa[-2] == pytest.approx(load * 1e5 * 0.015, rel=1e-6)


def test_cycles_at_a_trigger_get_shorter_and_the_residual_grows() -> None:
    # The shape that ISO 11057 (pulse-cleanable media, dP trigger of 1000 Pa; conditions from
    # memory) reports for media that ages: cycle time falls, residual dP rises, steeply at first
    # while the media seasons and slowly later.
    media = replace(
        MEDIA,
        new_drag_pa_s_m=20_000.0,
        seasoning_kg_m2=0.3,
        blinding_per_s=600.0,
        removed_per_pulse=0.9,
    )
    plant = replace(constant_flow(1.2), media=media)
    state = new_state(plant, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    cycle_s: list[float] = []
    residual_pa: list[float] = []
    for _ in range(40):
        loaded_s = 0.0
        while operating_point(plant, state).dp_pa < 1000.0:
            state = advance(plant, state, 30.0, loading(plant, 5e-3))
            loaded_s += 30.0
        for row in range(4):
            state = pulsed(plant, state, row, loading(plant, 0.0))
        cycle_s.append(loaded_s)
        residual_pa.append(operating_point(plant, state).dp_pa)
    assert all(later >= earlier - 1.0 for earlier, later in pairwise(residual_pa))
    assert residual_pa[-1] > residual_pa[0] + 100.0
    assert all(later <= earlier for earlier, later in pairwise(cycle_s))
    assert cycle_s[-1] < 0.7 * cycle_s[0]
    early, late = residual_pa[4] - residual_pa[0], residual_pa[-1] - residual_pa[-5]
    assert early > 2.0 * late > 0.0


def test_new_media_seasons_to_its_rated_drag() -> None:
    media = replace(MEDIA, new_drag_pa_s_m=15_000.0, seasoning_kg_m2=0.05)
    plant = replace(constant_flow(1.2), media=media)
    state = new_state(plant, blower_speed=1.0)
    assert operating_point(plant, state).dp_pa == pytest.approx(15_000.0 * 0.015, rel=1e-6)
    seasoned = advance(plant, state, 0.05 / (0.015 * 1e-3), loading(plant))
    expected = 40_000.0 - 25_000.0 * math.exp(-1.0)
    assert seasoned.residual_drag_pa_s_m == pytest.approx((expected,) * 4, rel=1e-6)


def test_sticky_dust_blinds_faster_and_comes_off_worse() -> None:
    media = replace(MEDIA, blinding_per_s=1000.0)
    plant = replace(constant_flow(1.2), media=media)
    start = new_state(plant, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    dry = after_cycle(plant, start, 3600.0)
    sticky = replace(loading(plant), stickiness=2.0)
    wet = advance(plant, start, 3600.0, sticky)
    assert dry.residual_drag_pa_s_m == pytest.approx((40_054.0,) * 4, rel=1e-6)
    assert wet.residual_drag_pa_s_m == pytest.approx((40_108.0,) * 4, rel=1e-6)
    assert removed_share(media, SUPPLY_GAUGE_PA, stickiness=2.0) == pytest.approx(0.3)


def test_dust_thrown_on_lands_on_the_neighbours_only_with_flow() -> None:
    plant = replace(COUPLED, drum=Drum(thrown_share=0.4))
    state = new_state(plant, cake_kg_m2=0.2, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    online = pulsed(plant, state, 1, loading(plant, 0.0))
    assert online.cake_kg_m2 == pytest.approx((0.224, 0.08, 0.224, 0.2))
    assert online.drum_kg == pytest.approx(0.12 * 0.6 * 20.0)
    still = replace(state, blower_speed=0.0)
    offline = pulsed(plant, still, 1, replace(loading(plant, 0.0), blower_running=False))
    assert offline.cake_kg_m2 == pytest.approx((0.2, 0.08, 0.2, 0.2))
    edge = pulsed(plant, state, 0, loading(plant, 0.0))
    assert edge.cake_kg_m2 == pytest.approx((0.08, 0.248, 0.2, 0.2))


def test_a_full_drum_gives_dust_back() -> None:
    plant = replace(COUPLED, drum=Drum(capacity_kg=5.0, raised_share=0.5))
    state = new_state(plant, cake_kg_m2=0.2, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    empty = pulsed(plant, state, 0, loading(plant, 0.0))
    full = pulsed(plant, replace(state, drum_kg=5.0), 0, loading(plant, 0.0))
    assert empty.cake_kg_m2 == pytest.approx((0.08, 0.2, 0.2, 0.2))
    assert full.cake_kg_m2 == pytest.approx((0.095, 0.215, 0.215, 0.215))


def test_a_short_pulse_has_part_of_the_effect() -> None:
    plant = replace(COUPLED, media=replace(MEDIA, full_pulse_s=0.12))
    state = new_state(plant, cake_kg_m2=0.2, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    cakes = [
        pulsed(plant, state, 0, loading(plant, 0.0), on_s).cake_kg_m2[0]
        for on_s in (0.02, 0.05, 0.08, 0.14, 0.30)
    ]
    assert cakes == pytest.approx([0.2, 0.17, 0.14, 0.08, 0.08])


def test_cleaning_offline_is_better_where_dp_works_against_the_pulse() -> None:
    plant = replace(COUPLED, media=replace(MEDIA, pulse_pressure_pa=3000.0))
    state = new_state(plant, cake_kg_m2=0.2, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    online = pulsed(plant, state, 0, loading(plant, 0.0))
    still = replace(state, blower_speed=0.0)
    offline = pulsed(plant, still, 0, replace(loading(plant, 0.0), blower_running=False))
    assert offline.cake_kg_m2[0] == pytest.approx(0.08)
    assert 0.09 < online.cake_kg_m2[0] < 0.2


def test_a_row_that_is_blown_takes_no_air_and_dp_jumps() -> None:
    plant = replace(COUPLED, media=replace(MEDIA, held_back=0.9, removed_per_pulse=0.0))
    state = new_state(plant, cake_kg_m2=0.2, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    before = operating_point(plant, state)
    during = advance(
        plant, state, 0.1, replace(loading(plant, 0.0), energised=(True, False, False, False))
    )
    blown = operating_point(plant, during)
    assert blown.dp_pa > 1.1 * before.dp_pa
    assert blown.face_velocity_m_s[0] < 0.15 * before.face_velocity_m_s[0]
    after = advance(plant, during, 0.1, loading(plant, 0.0))
    assert operating_point(plant, after).dp_pa == pytest.approx(before.dp_pa, rel=1e-6)


def test_rows_differ_in_how_well_they_come_clean() -> None:
    plant = replace(COUPLED, row_cleaning=(1.0, 0.5, 1.2, 0.0))
    state = new_state(plant, cake_kg_m2=0.2, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0)
    for row in range(4):
        state = pulsed(plant, state, row, loading(plant, 0.0))
    assert state.cake_kg_m2 == pytest.approx((0.08, 0.14, 0.056, 0.2))


def test_a_thin_cake_clings() -> None:
    media = Media(40_000.0, 1e5, 0.8, 5e5, half_load_kg_m2=0.05)
    shares = [removed_share(media, 6e5, cake_kg_m2=cake) for cake in (0.0, 0.05, 0.2)]
    assert shares == pytest.approx([0.0, 0.4, 0.64])
