"""Straight fits against scipy, and against a worked example computed with it."""

from random import Random

import numpy as np
import pytest
from scipy import stats

from dustcake.core.filter_life.curves import fit_line, scatter, theil_sen

XS = [float(x) for x in range(10)]
YS = [500.0, 502.0, 503.0, 506.0, 508.0, 509.0, 512.0, 515.0, 516.0, 519.0]


def line(xs: list[float], ys: list[float]) -> tuple[float, float]:
    fit = fit_line(xs, ys, [0] * len(xs), [1.0] * len(xs))
    assert fit is not None
    return fit.slope, fit.y - fit.slope * fit.x


def test_the_worked_example() -> None:
    """Computed with scipy 1.17.1: where each line reaches 600 Pa."""
    slope, intercept = line(XS, YS)
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
    assert line(xs, ys) == pytest.approx((reference.slope, reference.intercept), rel=1e-8)
    robust = stats.theilslopes(ys, xs)
    assert theil_sen(xs, ys) == pytest.approx((robust[0], robust[1]), rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_a_weighted_fit_with_shifts_and_its_covariance_against_numpy(seed: int) -> None:
    """There each level has a column of its own, and the fit is by the normal equations."""
    rng = Random(seed)
    xs = [rng.random() for _ in range(30)]
    levels = [rng.randrange(3) for _ in xs]
    ys = [rng.gauss(10.0 * level, 2.0) for level in levels]
    weights = [rng.uniform(0.1, 3.0) for _ in xs]
    fit = fit_line(xs, ys, levels, weights)
    assert fit is not None
    x, w = np.array([[x, *np.eye(3)[n]] for x, n in zip(xs, levels, strict=True)]), np.diag(weights)
    inverse = np.linalg.inv(x.T @ w @ x)
    coefficients = inverse @ x.T @ w @ np.array(ys)
    assert fit.slope == pytest.approx(coefficients[0])
    left = np.array(ys) - x @ coefficients
    assert np.allclose(fit.residuals, left)
    assert fit.mean_square == pytest.approx(float(left @ w @ left) / sum(weights))
    for at in (0.0, 0.5, 4.0):
        row = np.array([at, *np.eye(3)[levels[-1]]])
        assert fit.y + fit.slope * (at - fit.x) == pytest.approx(row @ coefficients)
        assert fit.of_y + fit.of_slope * (at - fit.x) ** 2 == pytest.approx(row @ inverse @ row)


def test_points_of_one_place_give_no_fit() -> None:
    assert fit_line([0.1] * 5, [1.0] * 5, [0] * 5, [1.0] * 5) is None


def test_scatter_is_the_standard_deviation_of_normal_noise_and_shrugs_at_outliers() -> None:
    rng = Random(3)
    values = [rng.gauss(0.0, 5.0) for _ in range(4000)]
    assert scatter(values) == pytest.approx(5.0, rel=0.05)
    assert scatter([*values, *[1e6] * 40]) == pytest.approx(5.0, rel=0.05)
