"""Every mutant of an ordering rule is caught, within a bounded number of days."""

import pytest

from faults.campaign import one_day
from faults.mutants import MUTANTS, Mutant

DAYS = 120


@pytest.mark.patience(240, "up to 120 days until it shows")
@pytest.mark.parametrize("mutant", MUTANTS, ids=[mutant.name for mutant in MUTANTS])
def test_is_caught(mutant: Mutant) -> None:
    for seed in range(DAYS):
        with mutant.patches():
            day = one_day(seed, decide=mutant.decide(), engine=mutant.engine)
        if day.wrong:
            print(day.wrong.splitlines()[-2])
            return
    pytest.fail(f"{DAYS} days did not tell it from the real daemon")
