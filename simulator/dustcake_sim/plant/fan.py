"""Fan, duct, damper, the flow at which they agree with the filters; and the speed of the blower."""

from __future__ import annotations

import math

from dustcake_sim.plant.air import REFERENCE_AIR, Air
from dustcake_sim.plant.record import record

_SETTLED = 1e-4  # closer to the target than this, the blower is there: dP at rest is exactly zero


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


@record
class Blower:
    """How quickly the blower follows its starter."""

    spin_up_s: float
    """Time constant after a start, s: 63.2 % of the change is done."""
    spin_down_s: float
    """Time constant after a stop, s."""


def speed_after(blower: Blower, speed: float, running: bool, dt_s: float) -> float:
    """Speed (1 = rated) after `dt_s` seconds with the starter closed (`running`) or open."""
    target = 1.0 if running else 0.0
    time_constant_s = blower.spin_up_s if running else blower.spin_down_s
    if time_constant_s <= 0.0:
        return target
    new = target + (speed - target) * math.exp(-dt_s / time_constant_s)
    return target if abs(new - target) < _SETTLED else new
