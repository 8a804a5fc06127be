"""Fan, duct and damper, and the flow at which they agree with the filters."""

from __future__ import annotations

import math

from dustcake_sim.plant.air import REFERENCE_AIR, Air
from dustcake_sim.plant.record import record


@record
class Fan:
    """A fan whose pressure falls with the square of flow: p = p0 n^2 - k_f Q^2.

    `n` is speed over rated speed. Flow in proportion to n, pressure to n^2 and to the density of
    the air: the fan laws.
    """

    shutoff_pa: float
    """p0, static pressure rise at no flow and rated speed, Pa."""
    curve_pa_s2_m6: float
    """k_f, fall of the curve, Pa per (m3/s)^2."""


@record
class Duct:
    """Hoods and duct before the filters: turbulent, R_s Q^2 with the damper open."""

    resistance_pa_s2_m6: float
    """R_s, Pa per (m3/s)^2."""


def duct_pa_s2_m6(duct: Duct, damper: float, air: Air = REFERENCE_AIR) -> float:
    """Resistance of hoods, duct and damper, Pa per (m3/s)^2.

    `damper`: share of the free opening, above 0 to 1. The loss goes with the square of velocity,
    so with 1/opening^2 at the same flow.
    """
    return duct.resistance_pa_s2_m6 * air.density_ratio / (damper * damper)


def flow_m3_s(
    fan: Fan,
    duct: Duct,
    filter_pa_s_m3: float,
    speed: float,
    damper: float = 1.0,
    air: Air = REFERENCE_AIR,
) -> float:
    """Flow, m3/s, where fan rise equals duct plus filter loss.

    `filter_pa_s_m3` is effective drag over total area; `speed` is n, 0 to 1. The positive root of
    (k_f + R_s) Q^2 + (S/A) Q - p0 n^2 = 0, in the form that also holds when k_f + R_s is zero.
    """
    pressure_pa = fan.shutoff_pa * speed * speed * air.density_ratio
    if pressure_pa <= 0.0 or damper <= 0.0:
        return 0.0
    quadratic = fan.curve_pa_s2_m6 * air.density_ratio + duct_pa_s2_m6(duct, damper, air)
    root = math.sqrt(filter_pa_s_m3 * filter_pa_s_m3 + 4.0 * quadratic * pressure_pa)
    return 2.0 * pressure_pa / (filter_pa_s_m3 + root)


def fan_rise_pa(fan: Fan, flow_m3_s: float, speed: float, air: Air = REFERENCE_AIR) -> float:
    """Static pressure rise of the fan, Pa, at this flow (m3/s) and speed (n, 0 to 1)."""
    rated_pa = fan.shutoff_pa * speed * speed - fan.curve_pa_s2_m6 * flow_m3_s * flow_m3_s
    return rated_pa * air.density_ratio
