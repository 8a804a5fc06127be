"""Part of the campaign: every fault in twenty worlds, and weeks without any.

The whole of it, with its figures in tests/bench/FIGURES.md: python tests/diagnosis/campaign.py
"""

import pytest

from diagnosis.campaign import Warm, outcomes, warmed, without_fault
from diagnosis.faults import FAULTS, Fault

WORLDS, MISSED = range(20), 1  # 95 %
WEEKS = range(4)


@pytest.fixture(scope="module")
def warm_worlds() -> dict[bool, Warm]:
    """With and without a header transmitter."""
    worlds = {}
    for header in (True, False):
        worlds[header], told = warmed(WORLDS, header=header)
        assert told == []
    return worlds


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_is_found(fault: Fault, warm_worlds: dict[bool, Warm]) -> None:
    missed = [seed for seed, one in outcomes(fault, warm_worlds[fault.header]) if not one.told]
    assert len(missed) <= MISSED, f"missed in the worlds {missed}"


@pytest.mark.parametrize("seed", WEEKS)
def test_a_week_without_a_fault_tells_of_none(seed: int) -> None:
    assert without_fault(seed) == []
