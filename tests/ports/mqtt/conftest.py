import pytest

from ports.fake_store import FakeStore


@pytest.fixture
def store() -> FakeStore:
    return FakeStore()
