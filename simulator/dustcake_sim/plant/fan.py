"""Fan and duct, and the flow at which they agree with the filters."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fan:
    """A fan whose pressure falls with the square of flow: p = p0 n^2 - k_f Q^2.

    `n` is speed over rated speed. Flow in proportion to n, pressure to n^2: the fan laws.
    """

    shutoff_pa: float
    """p0, static pressure rise at no flow and rated speed, Pa."""
    curve_pa_s2_m6: float
    """k_f, fall of the curve, Pa per (m3/s)^2."""


@dataclass(frozen=True, slots=True)
class Duct:
    """Hoods and duct before the filters: turbulent, R_s Q^2."""

    resistance_pa_s2_m6: float
    """R_s, Pa per (m3/s)^2."""


def flow_m3_s(fan: Fan, duct: Duct, filter_pa_s_m3: float, speed: float) -> float:
    """Flow, m3/s, where fan rise equals duct plus filter loss.

    `filter_pa_s_m3` is effective drag over total area; `speed` is n, 0 to 1. The positive root of
    (k_f + R_s) Q^2 + (S/A) Q - p0 n^2 = 0, in the form that also holds when k_f + R_s is zero.
    """
    pressure_pa = fan.shutoff_pa * speed * speed
    if pressure_pa <= 0.0:
        return 0.0
    quadratic = fan.curve_pa_s2_m6 + duct.resistance_pa_s2_m6
    root = math.sqrt(filter_pa_s_m3 * filter_pa_s_m3 + 4.0 * quadratic * pressure_pa)
    return 2.0 * pressure_pa / (filter_pa_s_m3 + root)


def fan_rise_pa(fan: Fan, flow_m3_s: float, speed: float) -> float:
    """Static pressure rise of the fan, Pa, at this flow (m3/s) and speed (n, 0 to 1)."""
    return fan.shutoff_pa * speed * speed - fan.curve_pa_s2_m6 * flow_m3_s * flow_m3_s
