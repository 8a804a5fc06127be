"""The order of test files, and patience with examples."""

import pytest
from hypothesis import HealthCheck, settings

# A busy machine is no fault of an example's. All else stays as it is, in CI Hypothesis' own choice.
settings.register_profile(
    "patient", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("patient")

LONG = ("tests/processes/test_kills.py", "tests/commission/test_procedure.py")
"""Minutes long, most of them waiting: begun first, so that a run in parallel does not end with one
of them alone."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: not item.nodeid.startswith(LONG))
