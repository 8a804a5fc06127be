"""Who may ask for what."""

import pytest

from dustcake.core.requests.definitions import LEVEL_NEEDED, REQUESTS, Level


def test_levels_include_one_another() -> None:
    order = list(Level)
    for i, level in enumerate(order):
        assert [level.includes(other) for other in order] == [n <= i for n in range(len(order))]


def test_every_request_has_a_level() -> None:
    assert set(LEVEL_NEEDED) == {*REQUESTS, "commission"}


@pytest.mark.parametrize(
    ("level", "request_", "allowed"),
    [
        (Level.VIEW, "acknowledge", False),
        (Level.ACKNOWLEDGE, "acknowledge", True),
        (Level.ACKNOWLEDGE, "shelve", True),
        (Level.ACKNOWLEDGE, "out_of_service", False),
        (Level.ACKNOWLEDGE, "set_points", False),
        (Level.ADJUST, "set_points", True),
        (Level.ADJUST, "acknowledge", True),
        (Level.ADJUST, "something new", False),
    ],
)
def test_what_each_may_ask_for(level: Level, request_: str, allowed: bool) -> None:
    assert level.may_request(request_) is allowed
