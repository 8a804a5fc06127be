"""Copies of records with other values are those that the standard library makes."""

import dataclasses
from typing import Any

import pytest

from core.driver import BASE, ready
from dustcake.core.record import replace


def test_a_copy_is_that_of_the_standard_library() -> None:
    state = ready().hold(800.0, 3).state
    changes: dict[str, Any] = {"next_seq": 7, "answers": (), "deadline_s": 3.5}
    assert replace(state, **changes) == dataclasses.replace(state, **changes)
    assert replace(state, **changes) != state
    assert replace(state) == state
    assert replace(state) is not state
    assert replace(BASE, collector="bay 4").collector == "bay 4"


def test_no_field_of_that_name() -> None:
    with pytest.raises(TypeError, match="Setpoints has no field colour, shape"):
        replace(BASE, shape=1, stale_after_s=1.0, colour=2)  # type: ignore[call-arg]
