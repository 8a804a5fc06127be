"""The stepping against scipy's ODE solver on the same equations, written out anew here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from dustcake_sim.plant.advance import advance, operating_point
from dustcake_sim.plant.state import Plant, new_state
from plant.plants import COUPLED, constant_dp, constant_flow, loading

DUST_KG_M3 = 1e-3


def reference_rates(
    plant: Plant, residuals: Sequence[float], cakes: Sequence[float]
) -> list[float]:
    """dW/dt of each row, the flow found by bisection and not by the closed form."""
    drags = [
        residual + plant.media.cake_resistance_per_s * cake
        for residual, cake in zip(residuals, cakes, strict=True)
    ]

    def excess_pa(flow: float) -> float:
        rise = plant.fan.shutoff_pa - plant.fan.curve_pa_s2_m6 * flow**2
        duct = plant.duct.resistance_pa_s2_m6 * flow**2
        return rise - duct - dp_at(flow)

    def dp_at(flow: float) -> float:
        return flow / sum(plant.row_area_m2 / drag for drag in drags)

    flow = brentq(excess_pa, 0.0, 100.0, xtol=1e-15, rtol=1e-14)
    return [DUST_KG_M3 * dp_at(flow) / drag for drag in drags]


@pytest.mark.parametrize("plant", [COUPLED, constant_dp(1000.0), constant_flow(1.2)])
@pytest.mark.parametrize("cakes", [(0.0, 0.0, 0.0, 0.0), (0.01, 0.3, 0.05, 0.12)])
def test_eight_hours(plant: Plant, cakes: tuple[float, ...]) -> None:
    residuals = (40_000.0, 55_000.0, 40_000.0, 48_000.0)
    start = replace(
        new_state(plant, blower_speed=1.0), cake_kg_m2=cakes, residual_drag_pa_s_m=residuals
    )
    solved = solve_ivp(
        lambda _t, w: reference_rates(plant, residuals, w),
        (0.0, 8 * 3600.0),
        cakes,
        rtol=1e-11,
        atol=1e-14,
        method="DOP853",
    )
    after = advance(plant, start, 8 * 3600.0, loading(plant, DUST_KG_M3))
    np.testing.assert_allclose(after.cake_kg_m2, solved.y[:, -1], rtol=1e-7)


def test_many_short_steps_equal_one_long() -> None:
    start = new_state(COUPLED, blower_speed=1.0)
    inputs = loading(COUPLED)
    long = advance(COUPLED, start, 600.0, inputs)
    short = start
    for _ in range(6000):
        short = advance(COUPLED, short, 0.1, inputs)
    assert short.cake_kg_m2 == pytest.approx(long.cake_kg_m2, rel=1e-9)
    assert operating_point(COUPLED, short).dp_pa == pytest.approx(
        operating_point(COUPLED, long).dp_pa, rel=1e-9
    )
