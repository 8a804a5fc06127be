"""A seed gives the same day, bit for bit, whichever process plays it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from faults.campaign import one_day

SEEDS = (3, 7, 11)
TESTS = Path(__file__).parent.parent


def test_twice_in_one_process() -> None:
    first = [one_day(seed) for seed in SEEDS]
    second = [one_day(seed) for seed in SEEDS]
    assert [day.digest for day in first] == [day.digest for day in second]
    assert len({day.digest for day in first}) == len(SEEDS)
    assert [day.wrong for day in first] == [""] * len(SEEDS)


@pytest.mark.patience(300, "the same days in several processes")
def test_in_processes_that_hash_differently() -> None:
    told = {
        subprocess.run(
            [sys.executable, "-m", "faults.campaign", "--seed", *map(str, SEEDS)],
            cwd=TESTS,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for hash_seed in ("1", "2024")
    }
    assert len(told) == 1, told
    for day in (one_day(seed) for seed in SEEDS):
        assert day.digest in next(iter(told))
