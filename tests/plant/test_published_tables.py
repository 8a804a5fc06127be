"""Tables of published numbers and what libraries make of the same: conversions, air, leaks, valves.

Library versions: numpy 2.4.6, pint 0.25.3, fluids 1.3.1, CoolProp 8.0.0.
"""

from __future__ import annotations

import math
from typing import Any

import fluids.control_valve
import fluids.packed_bed
import pint
import pytest

from dustcake_sim.plant.advance import operating_point
from dustcake_sim.plant.air import density_kg_m3
from dustcake_sim.plant.header import AMBIENT_PA, Header, air_kg, valve_flow_kg_s
from dustcake_sim.plant.state import new_state
from dustcake_sim.scenario import load_scenario, packaged_scenarios
from plant.plants import HEADER, constant_flow
from plant.real_air import of_air

PSI_PA = 6894.757293168361
CUBIC_FOOT_M3 = 0.3048**3
GALLON_M3 = CUBIC_FOOT_M3 / 7.48
"""As the receiver formulas below have it, and not the 7.4805 of the definition."""
KELVIN_70_F = 294.2611
NOZZLE = 0.001991949
"""Sonic conductance of an ideal nozzle, m3/(s Pa) for each m2 of it."""


def hole_m2(inches: float) -> float:
    return math.pi / 4.0 * (inches * 0.0254) ** 2


def test_drag_and_cake_resistance_in_other_units() -> None:
    u: Any = pint.UnitRegistry()
    drag = (1 * u.inch_H2O / (u.foot / u.minute)).to("Pa * s / m")
    assert drag.magnitude == pytest.approx(49_033.25, rel=1e-6)
    resistance = (1 * u.inch_H2O / (u.foot / u.minute) / (u.pound / u.foot**2)).to("1/s")
    assert resistance.magnitude == pytest.approx(10_042.801174, rel=1e-9)
    assert (1 * u.grain / u.foot**3).to("g/m**3").magnitude == pytest.approx(2.288351911, rel=1e-9)
    # What a collector of 80 m2 draws at 1.2 m3/s: 2.95 ft/min, 681 Pa are 2.73 in.
    point = operating_point(constant_flow(1.2), new_state(constant_flow(1.2), blower_speed=1.0))
    velocity = (point.face_velocity_m_s[0] * u.meter / u.second).to("foot/minute")
    assert velocity.magnitude == pytest.approx(2.952756, rel=1e-6)
    assert (681.0 * u.pascal).to("inch_H2O").magnitude == pytest.approx(2.733964, rel=1e-6)


def test_standard_air_and_the_velocity_pressure_in_it() -> None:
    # 0.075 lb/ft3 is what fan tables call standard; dry air of 70 F and 14.696 psi comes near.
    assert density_kg_m3(KELVIN_70_F, 14.696 * PSI_PA) == pytest.approx(1.199551, rel=3e-5)
    standard = 1.201385
    assert density_kg_m3(KELVIN_70_F) == pytest.approx(standard, rel=2e-3)
    # V = 4005 sqrt(VP), ft/min and inches: 0.56 in are 2997.07 ft/min, to the inch's own 0.1 %.
    velocity_m_s = math.sqrt(2.0 * 0.56 * 249.08891 / density_kg_m3(KELVIN_70_F))
    assert velocity_m_s / 0.00508 == pytest.approx(2997.07, rel=2e-3)
    assert pytest.approx(0.5 * density_kg_m3(294.2) * 20.0**2, rel=1e-3) == 0.5 * 1.2 * 20.0**2


def test_air_in_the_tank_is_near_the_real_gas() -> None:
    ideal = air_kg(HEADER, 721_853.51) / HEADER.volume_m3
    assert ideal == pytest.approx(8.578308, rel=1e-6)
    real = of_air("D", 293.15, 721_853.51)
    assert real == pytest.approx(8.600278, rel=1e-6)
    assert ideal == pytest.approx(real, rel=3e-3)


@pytest.mark.parametrize(
    ("reference_pa", "litres"), [(101_325.0, 40.827578), (100_000.0, 41.368544)]
)
def test_free_air_of_a_pulse(reference_pa: float, litres: float) -> None:
    # 30 L from 90 to 70 psig at 20 C, as free air of two standards.
    pulse_kg = air_kg(HEADER, 721_853.51) - air_kg(HEADER, 583_958.36)
    free_m3 = pulse_kg / (reference_pa / (287.05 * 293.15))
    assert free_m3 * 1000.0 == pytest.approx(litres, rel=1e-6)


@pytest.mark.parametrize(
    ("gallons", "from_psig", "to_psig", "free_ft3"),
    [
        # A national laboratory's open tool: a receiver for 150 cfm over a minute at 3 psi of drop,
        # one for half a minute at 100 cfm, and what 660 gal give between two pressures.
        (5497.8, 103.0, 100.0, 150.0),
        (549.78, 110.0, 100.0, 50.0),
        (660.0, 110.0, 100.0, 60.0240096),
    ],
)
def test_receivers(gallons: float, from_psig: float, to_psig: float, free_ft3: float) -> None:
    tank = Header(gallons * GALLON_M3, 1.0, 0.0, 0.35, 0.0)
    given_kg = air_kg(tank, (from_psig + 14.7) * PSI_PA) - air_kg(tank, (to_psig + 14.7) * PSI_PA)
    free_kg_m3 = 14.7 * PSI_PA / (287.05 * 293.15)
    assert given_kg / free_kg_m3 / CUBIC_FOOT_M3 == pytest.approx(free_ft3, rel=1e-6)


@pytest.mark.parametrize(
    ("inches", "discharge", "scfm"),
    [
        (1 / 64, 1.0, 0.407), (1 / 32, 1.0, 1.628), (1 / 16, 1.0, 6.512), (1 / 8, 1.0, 26.05),
        (1 / 4, 1.0, 104.20), (3 / 8, 1.0, 234.44), (1 / 64, 0.61, 0.248), (1 / 32, 0.61, 0.993),
        (1 / 16, 0.61, 3.973), (1 / 8, 0.61, 15.89), (1 / 4, 0.61, 63.56), (3 / 8, 0.61, 143.01),
    ],
)  # fmt: skip
def test_leaks_through_holes(inches: float, discharge: float, scfm: float) -> None:
    # Choked flow at 100 psig, 70 F.
    conductance = NOZZLE * discharge * hole_m2(inches)
    flow_kg_s = valve_flow_kg_s(conductance, 0.528282, 114.696 * PSI_PA, AMBIENT_PA, KELVIN_70_F)
    standard_kg_m3 = AMBIENT_PA / (287.05 * KELVIN_70_F)
    assert flow_kg_s / standard_kg_m3 / CUBIC_FOOT_M3 * 60.0 == pytest.approx(scfm, rel=2e-3)


def test_hot_air_through_four_orifices() -> None:
    # The same tool: 4 of 3/8 in, 100 psig, 550 F, 1295.125 ft3/min of air of that temperature.
    kelvin = (550.0 + 459.67) / 1.8
    flow_kg_s = valve_flow_kg_s(
        NOZZLE * 4.0 * hole_m2(3 / 8), 0.528282, 114.7 * PSI_PA, AMBIENT_PA, kelvin
    )
    free_kg_m3 = 14.7 * PSI_PA / (287.05 * kelvin)
    assert flow_kg_s / free_kg_m3 / CUBIC_FOOT_M3 * 60.0 == pytest.approx(1295.125, rel=5e-3)


def test_conductance_of_a_valve_with_a_known_flow_coefficient() -> None:
    # Kv 1 at x_T 0.70 is about 4.51 dm3/(s bar), by the gas equation of IEC 60534.
    size: Any = fluids.control_valve.size_control_valve_g
    kv = size(T=293.15, MW=28.96, mu=1.8e-5, gamma=1.4, Z=1, P1=7e5, P2=1e5, Q=0.02897, xT=0.7)
    assert kv == pytest.approx(1.00047, rel=1e-5)
    flow_kg_s = 0.02897 * 101_325.0 * 28.96e-3 / (8.314462618 * 273.15)  # Q is of 0 C
    assert valve_flow_kg_s(4.51e-8 * kv, 0.35, 7e5, 1e5) == pytest.approx(flow_kg_s, rel=2e-3)
    convert: Any = fluids.control_valve.convert_flow_coefficient
    ratio = convert(1.0, "Cv", "Kv")
    assert ratio == pytest.approx(0.8649776554, rel=1e-9)


def test_valves_of_the_scenarios_are_one_inch_bores() -> None:
    # 25.4 mm at a discharge coefficient of 0.6: 60.560 dm3/(s bar).
    bore = NOZZLE * 0.6 * hole_m2(1.0)
    assert bore == pytest.approx(60.560e-8, rel=1e-5)
    for name in packaged_scenarios():
        conductance = load_scenario(name).plant.header.conductance_m3_s_pa
        assert conductance == pytest.approx(bore, rel=0.02), name


def test_carman_and_ergun_differ_by_their_factor() -> None:
    size_m, void, velocity, density, viscosity, depth_m = 5e-6, 0.7, 0.02, 1.2, 1.82e-5, 1e-3
    bed: tuple[Any, ...] = (size_m, void, velocity, density, viscosity, depth_m)
    assert fluids.packed_bed.Carman(*bed) == pytest.approx(688.02660, rel=1e-7)
    packed_bed: Any = fluids.packed_bed.dP_packed_bed
    ergun_pa = packed_bed(*bed, Method="Ergun")
    assert ergun_pa == pytest.approx(573.20816, rel=1e-7)
    # 180 in the one, which the resistances of cakes are reckoned with here, 150 in the other.
    assert pytest.approx(180.0 / 150.0, rel=1e-8) == 687.673469 / 573.061224
    assert ergun_pa == pytest.approx(573.061224, rel=3e-4)


def test_air_of_a_timer_and_of_cleaning_on_demand_in_other_units() -> None:
    # A pulse each 10 s against 48 an hour, 30 L from 90 to 70 psig: 8.650874 and 1.153450 scfm.
    pulse_kg = air_kg(HEADER, 721_853.51) - air_kg(HEADER, 583_958.36)
    free_m3 = pulse_kg / (AMBIENT_PA / (287.05 * 293.15))
    timed, demanded = (each * free_m3 / 60.0 / CUBIC_FOOT_M3 for each in (360.0, 48.0))
    assert (timed, demanded) == pytest.approx((8.650874, 1.153450), rel=1e-6)
    assert demanded / timed - 1.0 == pytest.approx(-0.86667, rel=1e-5)
    assert timed / (1.2 / CUBIC_FOOT_M3 * 60.0 / 1000.0) == pytest.approx(3.4023, rel=1e-4)
