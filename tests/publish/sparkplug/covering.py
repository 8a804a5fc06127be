"""Marking a test with the assertions of the specification that it checks."""

from collections.abc import Callable
from typing import TypeVar

import pytest

F = TypeVar("F", bound=Callable[..., object])


def covers(*assertions: str) -> Callable[[F], F]:
    """Run the test once for each of the assertions (ids of Sparkplug 3.0.0, without `tck-id-`), so
    that each has a test with its id in the name. The test takes ``assertion``."""
    return pytest.mark.parametrize("assertion", assertions)


def covers_together(*assertions: str) -> Callable[[F], F]:
    """The same for a test that takes its time: run once, with all of their ids in its name."""
    together = "+".join(assertions)
    return pytest.mark.parametrize("assertion", [together], ids=[together])
