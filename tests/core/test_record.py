"""A record is copied only where something in it changes."""

import pytest

from core.driver import ready
from dustcake.core.record import replace, update


def test_an_update_that_changes_nothing_is_the_same_object() -> None:
    state = ready().hold(800.0, 3).state
    assert update(state, blower=state.blower, zero=state.zero) is state


def test_an_update_is_a_copy_with_the_other_values() -> None:
    state = ready().hold(800.0, 3).state
    after = update(state, blower=state.blower, deadline_s=3.5)
    assert after is not state
    assert after == replace(state, deadline_s=3.5)


def test_no_field_of_that_name() -> None:
    with pytest.raises(AttributeError, match="colour"):
        update(ready().state, colour=2)  # type: ignore[call-arg]
