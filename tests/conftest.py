"""The order of test files."""

import pytest

LONG = ("tests/processes/test_kills.py", "tests/commission/test_procedure.py")
"""Minutes long, most of them waiting: begun first, so that a run in parallel does not end with one
of them alone."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: not item.nodeid.startswith(LONG))
