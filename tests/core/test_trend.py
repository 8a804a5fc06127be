"""Straight fits against scipy, and against a worked example computed with it."""

from random import Random

import numpy as np
import pytest
from scipy import stats

from dustcake.core.filter_life.curves import least_squares, scatter, theil_sen

XS = [float(x) for x in range(10)]
YS = [500.0, 502.0, 503.0, 506.0, 508.0, 509.0, 512.0, 515.0, 516.0, 519.0]


def line(xs: list[float], ys: list[float], weights: list[float]) -> tuple[float, float]:
    fit = least_squares([[1.0] * len(xs), xs], ys, weights)
    assert fit is not None
    return fit.coefficients[1], fit.coefficients[0]


def test_the_worked_example() -> None:
    """Computed with scipy 1.17.1: where each line reaches 600 Pa."""
    slope, intercept = line(XS, YS, [1.0] * 10)
    assert slope == pytest.approx(2.109090909, rel=1e-9)
    assert intercept == pytest.approx(499.509090909, rel=1e-9)
    assert (600.0 - intercept) / slope == pytest.approx(47.646552, rel=1e-6)
    slope, intercept = theil_sen(XS, YS)
    assert (slope, intercept) == (2.0, 499.5)
    assert (600.0 - intercept) / slope == 50.25


@pytest.mark.parametrize("seed", range(20))
def test_both_lines_against_scipy(seed: int) -> None:
    rng = Random(seed)
    xs = [rng.uniform(0, 1000) for _ in range(rng.randint(3, 40))]
    ys = [rng.gauss(500 + 0.3 * x, 40) for x in xs]
    reference = stats.linregress(xs, ys)
    assert line(xs, ys, [1.0] * len(xs)) == pytest.approx(
        (reference.slope, reference.intercept), rel=1e-8
    )
    robust = stats.theilslopes(ys, xs)
    assert theil_sen(xs, ys) == pytest.approx((robust[0], robust[1]), rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_a_weighted_fit_and_its_covariance_against_numpy(seed: int) -> None:
    rng = Random(seed)
    rows = [(1.0, rng.random(), rng.random() ** 2) for _ in range(30)]
    ys = [rng.gauss(10.0, 2.0) for _ in rows]
    weights = [rng.uniform(0.1, 3.0) for _ in rows]
    fit = least_squares(list(zip(*rows, strict=True)), ys, weights)
    assert fit is not None
    x, w = np.array(rows), np.diag(weights)
    inverse = np.linalg.inv(x.T @ w @ x)
    assert np.allclose(fit.inverse, inverse)
    assert np.allclose(fit.coefficients, inverse @ x.T @ w @ np.array(ys))
    left = np.array(ys) - x @ np.array(fit.coefficients)
    assert np.allclose(fit.residuals, left)
    assert fit.mean_square == pytest.approx(float(left @ w @ left) / sum(weights))


def test_columns_that_do_not_settle_it_give_no_fit() -> None:
    assert least_squares([[1.0] * 5, [2.0] * 5], [1.0] * 5, [1.0] * 5) is None


def test_scatter_is_the_standard_deviation_of_normal_noise_and_shrugs_at_outliers() -> None:
    rng = Random(3)
    values = [rng.gauss(0.0, 5.0) for _ in range(4000)]
    assert scatter(values) == pytest.approx(5.0, rel=0.05)
    assert scatter([*values, *[1e6] * 40]) == pytest.approx(5.0, rel=0.05)
