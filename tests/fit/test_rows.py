"""The rows in closed form, against worked examples of the drag model (drag S_e + K2 W, from memory
of the EPA cost manual; numbers computed with scipy) and against scipy's solver."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from dustcake.analysis.rows import RowModel, dp_pa, flow, harmonic, loaded, needed_pa, pulsed

# A 80 m2, Q 1.2 m3/s (V 0.015 m/s), S_e 40 000 Pa s/m, K2 1e5 1/s, dust 1 g/m3.
MODEL = RowModel(4, 1e5 * 1e-3 * 0.015**2, 600.0, 0.6, 0.0)


def test_constant_flow_loads_in_a_straight_line() -> None:
    assert loaded([600.0] * 4, MODEL.load_pa_per_s * 3600.0) == pytest.approx([681.0] * 4)
    for begin, end, seconds in ((600, 1000, 17_777.778), (600, 750, 6666.667)):
        needed = needed_pa(MODEL, [float(begin)] * 4, end)
        assert needed / MODEL.load_pa_per_s == pytest.approx(seconds, rel=1e-6)


def test_rows_with_unequal_cake_take_unequal_air() -> None:
    rows = [600.0 + 100_000 * cake * 0.015 for cake in (0.0, 0.02, 0.04, 0.06)]
    assert dp_pa(MODEL, rows) == pytest.approx(643.252787, rel=1e-8)


def test_cleaning_four_rows_and_loading_them_again() -> None:
    s, read = [1000.0] * 4, []
    for n in range(5):
        s = pulsed(MODEL, s, n % 4, 0.6)
        read.append(dp_pa(MODEL, s))
    assert read == pytest.approx([926.829, 863.636, 808.511, 760.000, 733.488], abs=5e-4)
    refill_s = needed_pa(MODEL, s, 1000.0) / MODEL.load_pa_per_s
    assert refill_s == pytest.approx(11_774.987, rel=1e-6)
    assert dp_pa(MODEL, loaded(s, refill_s * MODEL.load_pa_per_s)) == pytest.approx(1000.0)


@given(
    st.lists(st.floats(600, 2000), min_size=1, max_size=8),
    st.floats(1.0, 400.0),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_growth_against_the_differential_equation(s: list[float], added: float) -> None:
    solved = solve_ivp(
        lambda _t, y: added * (len(y) / (1.0 / y).sum()) / y, (0, 1), s, rtol=1e-10, atol=1e-8
    )
    assert loaded(s, added) == pytest.approx(solved.y[:, -1].tolist(), rel=1e-6)


@given(
    st.lists(st.floats(600, 1500), min_size=1, max_size=6),
    st.floats(610, 1800),
    st.sampled_from([0.0, 1e-4, 3e-4]),
)
@settings(max_examples=80, deadline=None, derandomize=True)
def test_when_a_dp_is_reached(s: list[float], to_pa: float, fall: float) -> None:
    model = replace(MODEL, flow_fall_per_pa=fall, mean_dp_pa=900.0)
    needed = needed_pa(model, s, to_pa)
    if dp_pa(model, s) >= to_pa:
        assert needed == 0.0
        return
    by_root = brentq(lambda added: dp_pa(model, loaded(s, added)) - to_pa, 0.0, 5000.0, xtol=1e-9)
    assert needed == pytest.approx(by_root, rel=1e-5, abs=1e-4)


def test_flow_falls_as_fan_and_filters_agree() -> None:
    model = replace(MODEL, flow_fall_per_pa=2e-4, mean_dp_pa=800.0)
    h = harmonic([900.0, 1000.0])
    v = flow(model, h)
    assert v == pytest.approx(1.0 - 2e-4 * (v * h - 800.0))
    assert np.isinf(needed_pa(model, [900.0], 5900.0))
