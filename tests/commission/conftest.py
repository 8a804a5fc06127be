"""Every daemon a test starts is ended with it, and none may have shown a traceback."""

from collections.abc import Iterator

import pytest

from system_support.processes import Daemons


@pytest.fixture
def daemons() -> Iterator[Daemons]:
    started = Daemons()
    yield started
    started.end_all()
