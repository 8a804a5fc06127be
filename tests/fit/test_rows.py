"""The rows in closed form, against worked examples of the drag model (drag S_e + K2 W, from memory
of the EPA cost manual; numbers computed with scipy) and against scipy's solver."""

from collections.abc import Callable
from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from core.driver import chosen
from dustcake_lab.study.loop import (
    RowModel,
    StudyLoop,
    flow,
    harmonic,
    loaded,
    needed_pa,
    pulsed,
)
from examples import examples

# A 80 m2, Q 1.2 m3/s (V 0.015 m/s), S_e 40 000 Pa s/m, K2 1e5 1/s, dust 1 g/m3.
MODEL = RowModel(4, 1e5 * 1e-3 * 0.015**2, 600.0, 0.6, 0.0)


def dp_pa(model: RowModel, s: list[float]) -> float:
    """What a transmitter reads, Pa."""
    h = harmonic(s)
    return flow(model, h) * h


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


def cake_kg_m2(s_pa: float) -> float:
    return (s_pa - 600.0) / (1e5 * 0.015)


def loading(hours: float, flow_at: Callable[[float], float], step_s: float = 30.0) -> float:
    """Pressure at 1.2 m3/s of one row that loads while flow, over 1.2 m3/s, goes as it says."""
    s = [600.0]
    for _ in range(round(hours * 3600.0 / step_s)):
        half = loaded(s, MODEL.load_pa_per_s * flow_at(s[0]) * step_s / 2.0)
        s = loaded(s, MODEL.load_pa_per_s * flow_at(half[0]) * step_s)
    return s[0]


def test_constant_dp_loads_by_the_parabolic_law() -> None:
    """W = (-S_e + sqrt(S_e^2 + 2 K2 c dP t)) / K2 at 1000 Pa (computed with scipy)."""
    s = loading(4.0, lambda s: 1000.0 / s)
    assert cake_kg_m2(s) == pytest.approx(0.269328021, rel=1e-6)
    assert 0.015 * 1000.0 / s == pytest.approx(0.014940358, rel=1e-6)


@pytest.mark.parametrize(
    ("hours", "cake", "flow_m3s", "filter_pa"),
    [
        (0.0, 0.0, 1.43974, 719.869),
        (1.0, 0.064084, 1.40868, 817.182),
        (4.0, 0.248385, 1.32364, 1072.783),
        (8.0, 0.477641, 1.22643, 1345.456),
    ],
)
def test_a_fan_a_duct_and_filters_that_load(
    hours: float, cake: float, flow_m3s: float, filter_pa: float
) -> None:
    """p0 3000 Pa, fan 600 and duct 500 Pa s2/m6 (computed with scipy, checked by quadrature)."""

    def flow_at(s: float) -> float:
        b = s / 1.2
        return (-b + sqrt(b * b + 4.0 * 1100.0 * 3000.0)) / (2.0 * 1100.0) / 1.2

    s = loading(hours, flow_at)
    assert cake_kg_m2(s) == pytest.approx(cake, abs=6e-7)
    assert 1.2 * flow_at(s) == pytest.approx(flow_m3s, abs=6e-6)
    assert flow_at(s) * s == pytest.approx(filter_pa, abs=6e-4)


def test_cleaning_comes_to_a_steady_residual() -> None:
    """W+ = (1 - eps) W-; equal loads of 0.02 kg/m2, eps 0.6: the series and its limit."""
    s, after = [600.0], []
    for _ in range(10):
        s = pulsed(MODEL, loaded(s, 0.02 * 1e5 * 0.015), 0, 0.6)
        after.append(cake_kg_m2(s[0]))
    found = [after[n - 1] for n in (1, 2, 3, 5, 10)]
    assert found == pytest.approx([0.008, 0.0112, 0.01248, 0.0131968, 0.013331935], rel=1e-6)
    assert after[-1] == pytest.approx(0.02 * 0.4 / 0.6, rel=2e-4)


def test_a_loop_with_a_fan_that_gives_way_against_the_differential_equation() -> None:
    """Eight hours without a pulse, flow falling as dP rises."""
    model = replace(MODEL, rows=1, flow_fall_per_pa=2e-4, mean_dp_pa=800.0)
    setpoints = chosen(cleaning={"high_pa": 2400.0}, limits={"replacement_pa": 2450.0})
    lived = StudyLoop(model, setpoints, [1.0] * 24, [1.0] * 24, 1).run(1.0 / 3.0, 1)
    solved = solve_ivp(
        lambda _t, s: MODEL.load_pa_per_s * flow(model, float(s[0])), (0.0, 28_800.0), [750.0]
    )
    assert lived.pulses == 0
    assert lived.highest_dp_pa == pytest.approx(dp_pa(model, [float(solved.y[0, -1])]), rel=1e-3)


@given(
    st.lists(st.floats(600, 2000), min_size=1, max_size=8),
    st.floats(1.0, 400.0),
)
@examples(60)
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
@examples(80)
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
