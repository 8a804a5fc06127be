"""The forecast of filter life, case by case. How often its ranges hold is `tests/filter_life`."""

from math import exp
from random import Random

import pytest

from dustcake.core.filter_life.curves import Fits, fit_all
from dustcake.core.filter_life.forecast import (
    FEWEST_POINTS,
    HORIZON,
    Forecast,
    Outlook,
    Point,
    at_flow,
    forecast,
)

LIMIT_PA = 1250.0


def points(law: str = "line", noise_pa: float = 4.0, seed: int = 1, count: int = 40) -> list[Point]:
    """Half a life of 2000 h: from 600 Pa on, to reach 1250 Pa at its end."""
    rng = Random(seed)
    made = []
    for i in range(count):
        hours = (i + 0.5) * 1000.0 / count
        part = hours / 2000.0
        rise = part if law == "line" else (exp(2 * part) - 1) / (exp(2) - 1)
        made.append(Point(hours, 600.0 + 650.0 * rise + rng.gauss(0.0, noise_pa), 10))
    return made


def told(made: list[Point]) -> Forecast:
    return forecast(made, 1000.0, LIMIT_PA)


def holds(now: Forecast, remaining_h: float = 1000.0) -> bool:
    assert now.outlook is Outlook.RANGE
    assert now.low_h is not None
    return now.low_h <= remaining_h <= (now.high_h or float("inf"))


@pytest.mark.parametrize("law", ["line", "convex"])
def test_a_clean_trend_gives_a_range_that_holds(law: str) -> None:
    now = told(points(law))
    assert holds(now)
    assert now.high_h is not None
    assert now.confidence == 0.8
    assert now.points == 38  # the first twentieth of the age is left out
    assert now.rise_pa_per_h == pytest.approx(0.325 if law == "line" else 0.18, rel=0.1)


def test_a_higher_confidence_is_a_wider_range() -> None:
    narrow, wide = (forecast(points(), 1000.0, LIMIT_PA, c) for c in (0.5, 0.95))
    assert None not in (wide.low_h, narrow.low_h, wide.high_h, narrow.high_h)
    assert wide.low_h < narrow.low_h < narrow.high_h < wide.high_h  # type: ignore[operator]
    assert (narrow.confidence, wide.confidence) == (0.5, 0.95)


@pytest.mark.parametrize("count", [0, 1, FEWEST_POINTS - 1])
def test_too_few_points_are_said_to_be_too_few(count: int) -> None:
    now = told(points()[-count:] if count else [])
    assert now.outlook is Outlook.NOT_ENOUGH_DATA
    assert now.points == count
    assert (now.low_h, now.high_h, now.residual_pa, now.rise_pa_per_h) == (None,) * 4


def test_so_many_are_enough() -> None:
    assert told(points()[-FEWEST_POINTS:]).outlook is Outlook.RANGE


def test_points_all_of_one_age_are_no_trend() -> None:
    assert told([Point(900.0, 600.0)] * 20).outlook is Outlook.NOT_ENOUGH_DATA
    assert fit_all([0.9] * 20, [600.0] * 20, [0] * 20, [1.0] * 20) == Fits((), 0.0)


def test_soon_after_a_change_of_level_there_is_not_enough_of_the_new_one() -> None:
    made = [Point(p.hours, p.pa, p.count, int(i >= 38)) for i, p in enumerate(points())]
    assert told(made).outlook is Outlook.NOT_ENOUGH_DATA


def test_an_age_of_nothing_says_nothing() -> None:
    assert forecast(points(), 0.0, LIMIT_PA).outlook is Outlook.NOT_ENOUGH_DATA


def test_a_residual_that_falls_ends_beyond_the_horizon() -> None:
    rng = Random(4)
    now = told([Point(i * 25.0, 700.0 - 2.0 * i + rng.gauss(0, 4.0)) for i in range(1, 41)])
    assert now.outlook is Outlook.BEYOND_HORIZON
    assert (now.low_h, now.high_h) == (None, None)
    assert now.horizon_h == HORIZON * 1000.0
    assert now.residual_pa == pytest.approx(622.0, abs=10.0)


@pytest.mark.parametrize("noise_pa", [0.0, 4.0])
def test_one_that_does_not_rise_lasts_for_ages_with_an_open_end(noise_pa: float) -> None:
    rng = Random(4)
    now = told([Point(i * 25.0, 600.0 + rng.gauss(0, noise_pa)) for i in range(1, 41)])
    assert now.low_h is not None
    assert now.low_h > 3000.0
    assert now.high_h is None


def test_slow_and_noisy_may_have_a_beginning_and_no_end() -> None:
    rng = Random(2)
    now = told([Point(i * 25.0, 600.0 + i + rng.gauss(0, 25.0)) for i in range(1, 41)])
    assert now.outlook is Outlook.RANGE
    assert now.low_h is not None
    assert now.high_h is None


def test_at_the_limit_nothing_remains() -> None:
    now = forecast(points(), 1000.0, 850.0)
    assert now.outlook is Outlook.REACHED
    assert (now.low_h, now.high_h) == (0.0, 0.0)


def test_without_any_scatter_at_all() -> None:
    assert holds(told(points(noise_pa=0.0)))


def test_outliers_do_not_move_it_far() -> None:
    made = points()
    for i in (7, 15, 30, 38):
        made[i] = Point(made[i].hours, made[i].pa * 1.6, 10)
    assert holds(told(made))
    clean = told(points())
    assert told(made).low_h == pytest.approx(clean.low_h, rel=0.25)


@pytest.mark.parametrize("on_record", [True, False])
@pytest.mark.parametrize("step_pa", [-150.0, 150.0])
def test_a_step_is_no_trend(step_pa: float, on_record: bool) -> None:
    """A set point changed, or a damper that somebody moved and told nobody."""
    made = [
        Point(p.hours, p.pa - (step_pa if i < 18 else 0.0), 10, int(on_record and i >= 18))
        for i, p in enumerate(points())
    ]
    now = told(made)
    assert holds(now)
    assert now.low_h == pytest.approx(told(points()).low_h, rel=0.3)


def test_two_levels_that_take_turns_are_one_trend() -> None:
    """Timed cleaning leaves less than on-demand cleaning; the filters are the same."""
    made = [
        Point(p.hours, p.pa - 120.0 * (i // 5 % 2), 10, i // 5 % 2) for i, p in enumerate(points())
    ]
    assert holds(told(made))


def test_no_more_than_two_steps_are_taken_for_steps() -> None:
    made = [
        Point(p.hours, p.pa + 150.0 * (i >= 8) - 150.0 * (i >= 18) + 150.0 * (i >= 28), 10)
        for i, p in enumerate(points())
    ]
    assert told(made).outlook in (Outlook.RANGE, Outlook.BEYOND_HORIZON)


def test_a_step_seen_from_both_sides_is_one_step() -> None:
    """Neighbouring points may each look like the place of the same step."""
    made = [
        Point(p.hours, p.pa - (150.0 if i < 18 else 70.0 if i == 18 else 0.0), 10)
        for i, p in enumerate(points(noise_pa=1.0))
    ]
    assert told(made).outlook is Outlook.RANGE


def test_dp_is_brought_to_another_flow_in_proportion() -> None:
    """Computed: the square would say 1296 Pa, which is right for a duct."""
    assert at_flow(900.0, 1.0, 1.2) == pytest.approx(1080.0, rel=1e-12)
