"""How many examples a property test tries, and whether they met all that they must.

A test says how many it needs; the profile says which part of that is tried. Profiles are chosen by
the tier (``conftest.py``), or by hand: ``pytest --hypothesis-profile=shrink tests/core``.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar
from zlib import crc32

import pytest
from hypothesis import HealthCheck, Phase, seed, settings

Cell = TypeVar("Cell")
FULL = 100
MOST_ROUNDS = 8
AS_WRITTEN = (Phase.explicit, Phase.generate)


def register_profiles() -> None:
    """``quick``: a tenth. ``full``: all. ``shrink``: the same ones, and what fails is made as small
    as it can be. ``night``: ten times as many, and others each time."""
    full = settings(
        settings(),
        max_examples=FULL,
        derandomize=True,
        database=None,
        deadline=None,  # a busy machine is no fault of an example's
        phases=AS_WRITTEN,
        print_blob=True,
        suppress_health_check=[
            HealthCheck.too_slow,
            HealthCheck.data_too_large,
            HealthCheck.filter_too_much,
        ],
    )
    shrinks = (*AS_WRITTEN, Phase.shrink)
    settings.register_profile("quick", full, max_examples=FULL // 10)
    settings.register_profile("full", full)
    settings.register_profile("shrink", full, phases=shrinks)
    settings.register_profile(
        "night", full, max_examples=10 * FULL, derandomize=False, phases=shrinks
    )


def scaled(count: int) -> int:
    """So many examples in the present profile."""
    return max(1, count * _present().max_examples // FULL)


def examples(count: int, **options: Any) -> settings:
    """Decorates a property test that needs ``count`` examples."""
    return settings(max_examples=scaled(count), **options)


def explore(
    body: Callable[[], None],
    count: int,
    seen: Counter[Cell],
    wanted: Mapping[Cell, int] | Iterable[Cell],
) -> None:
    """Try ``count`` examples of ``body``, and others until it has ``seen`` all that is ``wanted``.

    Hypothesis draws constants from the source under test as well, so that an edit anywhere may
    change what a round meets; what is rare then needs another round with another seed. A number
    beside a cell is how often it must be seen in ``count`` examples.
    """
    part = min(1.0, scaled(count) / count)
    least = dict.fromkeys(wanted, 1)
    if isinstance(wanted, Mapping):
        least = {cell: max(1, round(n * part)) for cell, n in wanted.items()}
    name = getattr(body, "__qualname__", "")
    first = crc32(name.encode()) if _present().derandomize else None
    tried = examples(count)(body)
    missing = dict(least)
    for number in range(MOST_ROUNDS * max(1, count // scaled(count))):
        if first is not None:
            seed(first + number)(tried)
        tried()
        missing = {cell: n for cell, n in least.items() if seen[cell] < n}
        if not missing:
            return
    met = {cell: seen[cell] for cell in missing}
    pytest.fail(f"not reached: {missing}; met: {met}")


def _present() -> settings:
    present = settings.default
    assert present is not None
    return present
