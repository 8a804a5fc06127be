"""The physics against worked examples that were computed elsewhere.

Numbers computed with numpy 2.4 and scipy 1.17 unless a test says where they are from.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from dustcake_sim.plant.advance import advance, operating_point
from dustcake_sim.plant.fan import Duct, Fan, flow_m3_s
from dustcake_sim.plant.header import AMBIENT_PA, air_kg, valve_flow_kg_s
from dustcake_sim.plant.media import Media, drag_pa_s_m
from dustcake_sim.plant.pulse import removed_share
from dustcake_sim.plant.state import Plant, State, new_state
from plant.plants import (
    COUPLED,
    HEADER,
    MEDIA,
    SUPPLY_GAUGE_PA,
    constant_dp,
    constant_flow,
    loading,
    pulsed,
)

PA_PER_INCH_WATER = 249.08891
FT_PER_MIN_M_S = 0.00508
LB_FT2_KG_M2 = 4.882427636
K2_US_PER_S = 10_042.801174


def started(plant: Plant, cake_kg_m2: float = 0.0) -> State:
    return new_state(
        plant, cake_kg_m2=cake_kg_m2, header_gauge_pa=SUPPLY_GAUGE_PA, blower_speed=1.0
    )


def test_cost_manual_example_for_felt_bags() -> None:
    # EPA Air Pollution Control Cost Manual, 1998: the relation from memory, its arithmetic from a
    # secondary source. It is for fly ash on felt bags; here it only checks the drag arithmetic.
    velocity_ft_min, pressure_psig, k2_us = 4.69, 100.0, 15.0
    cake_lb_ft2 = 4.0 / 7000.0 * velocity_ft_min * 10.0
    cleaned_in = 6.08 * velocity_ft_min * pressure_psig**-0.65
    assert cleaned_in == pytest.approx(1.4291, abs=5e-5)
    media = Media(
        residual_drag_pa_s_m=cleaned_in * PA_PER_INCH_WATER / (velocity_ft_min * FT_PER_MIN_M_S),
        cake_resistance_per_s=k2_us * K2_US_PER_S,
        removed_per_pulse=0.6,
        reference_gauge_pa=1.0,
    )
    drag = drag_pa_s_m(media, media.residual_drag_pa_s_m, cake_lb_ft2 * LB_FT2_KG_M2)
    dp_pa = drag * velocity_ft_min * FT_PER_MIN_M_S
    assert dp_pa == pytest.approx(825.6115, rel=1e-6)
    assert dp_pa / PA_PER_INCH_WATER == pytest.approx(3.314525, rel=1e-6)


def test_cake_dp_through_the_unit_chain() -> None:
    media = replace(MEDIA, cake_resistance_per_s=15.0 * K2_US_PER_S)
    assert media.cake_resistance_per_s == pytest.approx(150_642.018, rel=1e-6)
    cake_kg_m2 = 0.0268 * LB_FT2_KG_M2
    assert cake_kg_m2 == pytest.approx(0.13084906, rel=1e-6)
    dp_pa = drag_pa_s_m(media, 0.0, cake_kg_m2) * 4.69 * FT_PER_MIN_M_S
    assert dp_pa == pytest.approx(469.62725, rel=1e-6)


def test_constant_flow_hour() -> None:
    plant = constant_flow(1.2)
    after = advance(plant, started(plant), 3600.0, loading(plant))
    assert after.cake_kg_m2 == pytest.approx((0.054,) * 4, rel=1e-6)
    point = operating_point(plant, after)
    assert point.dp_pa == pytest.approx(681.0, rel=1e-6)
    assert point.face_velocity_m_s == pytest.approx((0.015,) * 4, rel=1e-6)


@pytest.mark.parametrize(
    ("from_pa", "to_pa", "seconds"),
    [(600.0, 1000.0, 17_777.778), (600.0, 750.0, 6_666.667), (750.0, 1000.0, 11_111.111)],
)
def test_constant_flow_loading_times(from_pa: float, to_pa: float, seconds: float) -> None:
    plant = constant_flow(1.2)
    cake_kg_m2 = (from_pa / 0.015 - MEDIA.residual_drag_pa_s_m) / MEDIA.cake_resistance_per_s
    after = advance(plant, started(plant, cake_kg_m2), seconds, loading(plant))
    assert operating_point(plant, after).dp_pa == pytest.approx(to_pa, rel=1e-6)


def test_constant_flow_shift_of_dust() -> None:
    plant = constant_flow(1.2)
    after = advance(plant, started(plant), 8 * 3600.0, loading(plant))
    assert after.dust_in_kg == pytest.approx(34.56, rel=1e-6)


def test_constant_dp_follows_the_parabolic_law() -> None:
    plant = constant_dp(1000.0)
    after = advance(plant, started(plant), 4 * 3600.0, loading(plant))
    assert after.cake_kg_m2 == pytest.approx((0.269328021,) * 4, rel=1e-6)
    point = operating_point(plant, after)
    assert point.face_velocity_m_s == pytest.approx((0.014940358,) * 4, rel=1e-6)
    assert point.dp_pa == pytest.approx(1000.0, rel=1e-9)


@pytest.mark.parametrize(
    ("hours", "cake_kg_m2", "flow", "dp_pa", "rise_pa"),
    [
        (0, 0.0, 1.43974, 719.869, 1756.292),
        (1, 0.064084, 1.40868, 817.182, 1809.372),
        (4, 0.248385, 1.32364, 1072.783, 1948.791),
        (8, 0.477641, 1.22643, 1345.456, 2097.521),
    ],
)
def test_fan_duct_and_filters_together(
    hours: float, cake_kg_m2: float, flow: float, dp_pa: float, rise_pa: float
) -> None:
    after = advance(COUPLED, started(COUPLED), hours * 3600.0, loading(COUPLED))
    point = operating_point(COUPLED, after)
    assert after.cake_kg_m2 == pytest.approx((cake_kg_m2,) * 4, abs=6e-7)
    assert point.flow_m3_s == pytest.approx(flow, abs=6e-6)
    assert point.dp_pa == pytest.approx(dp_pa, abs=6e-4)
    assert -point.clean_side_gauge_pa == pytest.approx(rise_pa, abs=6e-4), "what the fan raises"


def test_repeated_load_and_pulse_converge() -> None:
    assert removed_share(MEDIA, SUPPLY_GAUGE_PA) == 0.6
    state, no_dust = started(COUPLED), loading(COUPLED, dust_kg_m3=0.0)
    after: list[float] = []
    for _ in range(60):
        loaded = replace(state, cake_kg_m2=tuple(cake + 0.02 for cake in state.cake_kg_m2))
        state = pulsed(COUPLED, loaded, 0, no_dust)
        after.append(state.cake_kg_m2[0])
    expected = (0.008, 0.0112, 0.01248, 0.0131968, 0.013331935)
    assert [after[n - 1] for n in (1, 2, 3, 5, 10)] == pytest.approx(expected, rel=1e-6)
    assert after[-1] == pytest.approx(0.02 * 0.4 / 0.6, rel=1e-9)


def test_rows_share_the_air_by_their_drag() -> None:
    plant = constant_flow(1.2)
    point = operating_point(plant, replace(started(plant), cake_kg_m2=(0.0, 0.02, 0.04, 0.06)))
    assert point.dp_pa == pytest.approx(643.252787, rel=1e-7)
    assert point.dp_pa / 0.015 == pytest.approx(42_883.51914, rel=1e-7), "the harmonic mean"
    velocities = (0.016081, 0.015316, 0.014619, 0.013984)
    assert point.face_velocity_m_s == pytest.approx(velocities, abs=6e-7)


def test_cleaning_four_rows_and_refilling_unevenly() -> None:
    plant = constant_flow(1.2)
    state = started(plant, (1000.0 / 0.015 - 40_000.0) / 1e5)
    no_dust = loading(plant, dust_kg_m3=0.0)
    dps_pa: list[float] = []
    while not dps_pa or dps_pa[-1] > 750.0:
        state = pulsed(plant, state, len(dps_pa) % 4, no_dust)
        dps_pa.append(operating_point(plant, state).dp_pa)
    assert dps_pa == pytest.approx([926.829, 863.636, 808.511, 760.000, 733.488], abs=6e-4)
    refilled = advance(plant, state, 11_774.987, loading(plant))
    assert operating_point(plant, refilled).dp_pa == pytest.approx(1000.0, rel=1e-6)


def test_fan_laws() -> None:
    # With duct alone: flow with speed, pressure with its square, power with its cube.
    fan, duct = Fan(3000.0, 600.0), Duct(500.0)
    full, slow = (flow_m3_s(fan, duct, 0.0, speed) for speed in (1.0, 0.9))
    assert slow / full == pytest.approx(0.90)
    rises = [3000.0 * n**2 - 600.0 * flow**2 for n, flow in ((1.0, full), (0.9, slow))]
    assert rises == pytest.approx([500.0 * flow**2 for flow in (full, slow)]), "the duct takes it"
    assert rises[1] / rises[0] == pytest.approx(0.81)
    assert rises[1] / rises[0] * slow / full == pytest.approx(0.729)


def test_filter_loss_is_linear_in_flow_and_duct_loss_is_not() -> None:
    # As 3 in at 5000 cfm are 2.4 in at 4000 cfm across filters, and 1.92 in along a duct.
    slow = operating_point(COUPLED, replace(started(COUPLED), blower_speed=0.8))
    full = operating_point(COUPLED, started(COUPLED))
    ratio = slow.flow_m3_s / full.flow_m3_s
    assert slow.dp_pa / full.dp_pa == pytest.approx(ratio)
    assert slow.dirty_side_gauge_pa / full.dirty_side_gauge_pa == pytest.approx(ratio**2)


@pytest.mark.parametrize(
    ("downstream_pa", "temperature_k", "flow_kg_s"),
    [
        (100e3, 293.15, 0.008295),
        (500e3, 293.15, 0.006869880),
        (600e3, 293.15, 0.005188568),
        (100e3, 313.15, 0.008025741),
    ],
)
def test_valve_flow(downstream_pa: float, temperature_k: float, flow_kg_s: float) -> None:
    flow = valve_flow_kg_s(1e-8, 0.35, 700e3, downstream_pa, temperature_k)
    assert flow == pytest.approx(flow_kg_s, rel=1e-6)


def test_air_of_one_pulse_by_the_recovered_pressure() -> None:
    # A 30 L tank from 90 to 70 psig at 20 C.
    used_kg = air_kg(HEADER, 721_853.51) - air_kg(HEADER, 583_958.36)
    assert used_kg == pytest.approx(0.04916123, rel=1e-6)


def test_dp_read_at_one_flow_is_scaled_linearly_to_another() -> None:
    # 900 Pa at 1.0 m3/s are 1080 Pa at 1.2; a quadratic loss would say 1296.
    cake_kg_m2 = (900.0 / (1.0 / 80.0) - 40_000.0) / 1e5
    read_pa, scaled_pa = (
        operating_point(plant, started(plant, cake_kg_m2)).dp_pa
        for plant in (constant_flow(1.0), constant_flow(1.2))
    )
    assert (read_pa, scaled_pa) == pytest.approx((900.0, 1080.0), rel=1e-6)


def test_air_of_a_timer_and_of_cleaning_on_demand() -> None:
    # 30 L from 90 to 70 psig: 360 pulses/h are 14.697928 m3/h of free air, 48 are 1.959724.
    pulse_kg = air_kg(HEADER, 721_853.51) - air_kg(HEADER, 583_958.36)
    free_m3 = pulse_kg / (AMBIENT_PA / (287.05 * 293.15))
    assert free_m3 == pytest.approx(40.827578e-3, rel=1e-6)
    assert 360.0 * free_m3 == pytest.approx(14.697928, rel=1e-6)
    assert 48.0 * free_m3 == pytest.approx(1.959724, rel=1e-6)
