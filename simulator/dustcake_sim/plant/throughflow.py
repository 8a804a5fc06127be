"""The dP and flow at which fan, duct, rows and holes agree.

Closed form for plain laminar rows. A cake that compresses, or a hole, makes the filters' flow a
curve of dP, and then one monotone equation in dP is solved.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from dustcake_sim.plant.air import Air
from dustcake_sim.plant.fan import duct_pa_s2_m6, flow_m3_s
from dustcake_sim.plant.state import Plant, Throughflow

DISCHARGE = 0.61
"""Of a sharp-edged hole: 0.60 to 0.63 in the table of the Encyclopaedia Britannica, 11th edition
(1911), article Hydraulics."""
_CLOSE = 1e-13
_MOST_TURNS = 200


def throughflow(
    plant: Plant,
    residuals: Sequence[float],
    cakes: Sequence[float],
    holes_m2: float,
    openness: Sequence[float] | None,
    speed: float,
    damper: float,
    air: Air,
) -> Throughflow:
    """What passes rows with these residual drags (Pa s/m) and cakes (kg/m2).

    `openness`: for each row the share of its area that takes air; None: all of it.
    """
    media, viscosity = plant.media, air.viscosity_ratio
    k2 = media.cake_resistance_per_s
    drags = [
        viscosity * (residual + k2 * cake) for residual, cake in zip(residuals, cakes, strict=True)
    ]
    if openness is not None:
        drags = [drag / share for drag, share in zip(drags, openness, strict=True)]
    row_area_m2 = plant.row_area_m2
    loss_pa_s_m3 = 1.0 / (row_area_m2 * sum([1.0 / drag for drag in drags]))
    flow = flow_m3_s(plant.fan, plant.duct, loss_pa_s_m3, speed, damper, air)
    dp_pa = loss_pa_s_m3 * flow
    compression = media.compression_s_m
    if flow == 0.0 or (holes_m2 == 0.0 and compression == 0.0):
        return Throughflow(dp_pa, flow, 0.0, [dp_pa / drag for drag in drags])
    shares = openness or (1.0,) * len(drags)
    cake_drags = [viscosity * k2 * cake for cake in cakes]
    full_drags = [drag * share for drag, share in zip(drags, shares, strict=True)]

    def velocities(at_pa: float) -> list[float]:
        return [
            share * _compressed_velocity_m_s(at_pa, drag, cake_drag * compression)
            for drag, cake_drag, share in zip(full_drags, cake_drags, shares, strict=True)
        ]

    def leak(at_pa: float) -> float:
        return DISCHARGE * holes_m2 * math.sqrt(2.0 * at_pa / air.density_kg_m3)

    fan_pa = plant.fan.shutoff_pa * speed * speed * air.density_ratio
    duct = duct_pa_s2_m6(plant.duct, damper, air)
    quadratic = plant.fan.curve_pa_s2_m6 * air.density_ratio + duct

    def excess_pa(at_pa: float) -> float:
        total = row_area_m2 * sum(velocities(at_pa)) + leak(at_pa)
        return quadratic * total * total + at_pa - fan_pa

    dp_pa = _rising_root(excess_pa, fan_pa, dp_pa)
    found = velocities(dp_pa)
    leaked = leak(dp_pa)
    return Throughflow(dp_pa, row_area_m2 * sum(found) + leaked, leaked, found)


def _compressed_velocity_m_s(dp_pa: float, drag_pa_s_m: float, stiffening_pa_s2_m2: float) -> float:
    """Face velocity, m/s, through a row whose drag is S + stiffening V.

    The positive root of stiffening V^2 + S V - dP = 0, in the form that holds for no stiffening.
    """
    root = math.sqrt(drag_pa_s_m * drag_pa_s_m + 4.0 * stiffening_pa_s2_m2 * dp_pa)
    return 2.0 * dp_pa / (drag_pa_s_m + root)


def _rising_root(excess: Callable[[float], float], highest: float, guess: float) -> float:
    """Where a rising function is zero, between 0 and `highest`: regula falsi (Illinois)."""
    low, high = 0.0, highest
    f_low, f_high = excess(low), excess(high)
    if f_high <= 0.0:
        return high
    at, side = min(max(guess, low), high), 0
    for _ in range(_MOST_TURNS):
        f_at = excess(at)
        if f_at == 0.0 or high - low <= _CLOSE * highest:
            return at
        if f_at < 0.0:
            low, f_low = at, f_at
            f_high = f_high / 2.0 if side < 0 else f_high
            side = -1
        else:
            high, f_high = at, f_at
            f_low = f_low / 2.0 if side > 0 else f_low
            side = 1
        before, at = at, (low * f_high - high * f_low) / (f_high - f_low)
        if abs(at - before) <= _CLOSE * highest:
            return at
    return at
