from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from ports.fake_store import FakeStore
from system_support.broker import Broker, running


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Broker]:
    async with running(Broker(tmp_path / "broker")) as started:
        yield started


@pytest.fixture
def store() -> FakeStore:
    return FakeStore()
