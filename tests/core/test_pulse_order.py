from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.core.setpoints import neighbours_in_succession, order_skipping_neighbours


@given(st.integers(1, 200))
def test_every_valve_fires_once_a_cycle(valves: int) -> None:
    assert sorted(order_skipping_neighbours(valves)) == list(range(1, valves + 1))


@given(st.integers(4, 200))
def test_neighbours_are_skipped_within_a_cycle(valves: int) -> None:
    order = order_skipping_neighbours(valves)
    assert all(abs(a - b) > 1 for a, b in pairwise(order))
    assert neighbours_in_succession(order) == ()


@given(st.integers(5, 200))
def test_neighbours_are_skipped_from_one_cycle_to_the_next(valves: int) -> None:
    order = order_skipping_neighbours(valves)
    assert abs(order[-1] - order[0]) > 1


def test_few_valves() -> None:
    assert [order_skipping_neighbours(n) for n in (1, 2, 3, 4, 5, 6)] == [
        (1,),
        (1, 2),
        (1, 3, 2),
        (2, 4, 1, 3),
        (1, 3, 5, 2, 4),
        (1, 3, 5, 2, 4, 6),
    ]


def test_no_valves() -> None:
    with pytest.raises(ValueError, match="at least one valve"):
        order_skipping_neighbours(0)


def test_neighbours_that_follow_each_other_are_named() -> None:
    assert neighbours_in_succession((1, 3, 2, 4)) == ((3, 2),)
    assert neighbours_in_succession((1, 2, 4, 3)) == ((1, 2), (4, 3))
