"""Residual dP in a bounded number of points."""

from random import Random

import pytest

from dustcake.core.filter_life.state import (
    FIRST_WIDTH_H,
    MOST_CONDITIONS,
    MOST_POINTS,
    Conditions,
    Residuals,
)

USUAL = Conditions("on_demand", True, 750.0, 1000.0, 0, 0)


def other(n: int) -> Conditions:
    return Conditions("on_demand", True, 750.0 + n, 1000.0, 0, 0)


def filled(hours: int, every_h: float = 0.5) -> Residuals:
    gathered = Residuals()
    for i in range(round(hours / every_h)):
        at_h = i * every_h
        if gathered.wants(at_h):
            gathered = gathered.with_reading(at_h, 600.0 + at_h, USUAL)
    return gathered


def test_a_point_is_the_median_of_its_readings_and_shrugs_at_one_gone_wrong() -> None:
    gathered = Residuals()
    for hours, pa in ((0.0, 600.0), (0.3, 9000.0), (0.6, 604.0), (1.0, 700.0)):
        gathered = gathered.with_reading(hours, pa, USUAL)
    (point,) = gathered.points
    assert (point.hours, point.pa, point.count) == (0.3, 604.0, 3)
    assert gathered.readings == ((1.0, 700.0),)


def test_closing_nothing_is_nothing() -> None:
    assert Residuals().closed() == Residuals()


@pytest.mark.parametrize("hours", [30, 300, 3000])
def test_points_stay_few_however_long_it_lasts(hours: int) -> None:
    gathered = filled(hours)
    assert len(gathered.points) <= MOST_POINTS
    assert len(gathered.readings) <= 17
    ages = [p.hours for p in gathered.points]
    assert ages == sorted(ages)
    assert ages[-1] >= hours - 2 * gathered.width_h - FIRST_WIDTH_H
    for point in gathered.points:
        assert point.pa == pytest.approx(600.0 + point.hours, abs=0.02)


def test_readings_come_spread_over_a_point() -> None:
    gathered = filled(20, every_h=0.001)
    assert all(point.count <= 17 for point in gathered.points)
    assert all(point.count >= 15 for point in gathered.points[:10])


def test_other_conditions_begin_another_point_and_come_back_to_their_own_level() -> None:
    gathered = Residuals()
    for i, conditions in enumerate((USUAL, other(1), USUAL, USUAL)):
        gathered = gathered.with_reading(i * 0.1, 600.0, conditions)
    assert [p.level for p in gathered.points] == [0, 1]
    assert gathered.level == 0
    assert len(gathered.readings) == 2


def test_levels_are_not_merged() -> None:
    rng = Random(5)
    gathered = Residuals()
    for i in range(4000):
        n = i // 40 % 3
        gathered = gathered.with_reading(i * 0.5, 600.0 + 100.0 * n + rng.random(), other(n))
    assert len(gathered.points) <= MOST_POINTS
    for point in gathered.points:
        assert 600.0 + 100.0 * point.level <= point.pa <= 601.0 + 100.0 * point.level


def test_of_too_many_conditions_the_longest_unseen_go() -> None:
    gathered = Residuals()
    for n in (*range(MOST_CONDITIONS), 0, 6):
        for i in range(3):
            at_h = len(gathered.points) * 2.0 + i * 0.4
            gathered = gathered.with_reading(at_h, 600.0 + n, other(n))
    gathered = gathered.closed()
    assert len(gathered.conditions) == MOST_CONDITIONS
    assert other(1) not in gathered.conditions
    assert other(0) in gathered.conditions
    for point in gathered.points:
        assert gathered.conditions[point.level].low_pa - 750.0 == point.pa - 600.0


def test_conditions_that_left_no_point_go_first() -> None:
    gathered = Residuals()
    for n in range(MOST_CONDITIONS):
        gathered = gathered.with_reading(n * 2.0, 600.0, other(n))
    # What is being gathered is closed before its conditions could be dropped.
    gathered = gathered.with_reading(20.0, 600.0, other(9))
    assert gathered.conditions[-1] == other(9)
    assert gathered.level == MOST_CONDITIONS - 1
