"""What tests of processes share: daemons and a broker that are ended with the test."""

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from system_support.broker import Broker, running
from system_support.processes import Daemons


@pytest.fixture
def daemons() -> Iterator[Daemons]:
    """Every daemon a test starts is ended with it, and none may have shown a traceback."""
    started = Daemons()
    yield started
    started.end_all()


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Broker]:
    async with running(Broker(tmp_path / "broker")) as started:
        yield started
