"""Days that once showed a fault of this daemon. What each showed stands beside its seed.

A change of the campaign draws other faults from these seeds; the faults themselves are kept by
the mutants that put them back (``mutants``).
"""

import pytest

from faults.campaign import one_day

FOUND = (
    (0, "a pulse given up while its commit stalled was fired all the same, before the all-off"),
    (4, "events told live while the journal failed overtook those in the outbox"),
    (5, "a demand contact was closed after the all-off that overtook it"),
    (6, "a number told live was given to another event after a crash"),
    (67, "the power went while a damaged journal was replaced: its readable state was lost"),
    (68, "retained topics of a lost state were told after those of the new one"),
    (120, "a crash just after the journal worked again barred cleaning for ever"),
    (281, "a damaged journal on a card that cannot be written ended in a traceback"),
    (1048, "a blower command that was given up was done late"),
)


@pytest.mark.parametrize(("seed", "showed"), FOUND, ids=[str(seed) for seed, _ in FOUND])
def test_is_mended(seed: int, showed: str) -> None:
    assert not (wrong := one_day(seed).wrong), f"{showed}\n{wrong}"
