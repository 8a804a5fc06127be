"""The order in which the rows are pulsed.

Neighbouring rows are not pulsed one after the other where that can be avoided, so that the
dust a pulse throws off does not settle on a row that has just been cleaned (common practice,
no source).
"""

from collections.abc import Sequence
from itertools import pairwise


def order_skipping_neighbours(valves: int) -> tuple[int, ...]:
    """Every valve from 1 to ``valves`` once, neighbours never in succession where possible.

    From five valves on this holds over the end of the cycle too. Four valves admit it within a
    cycle only, three or fewer not at all. Raises ValueError for fewer than one valve.
    """
    if valves < 1:
        raise ValueError(f"a collector has at least one valve, not {valves}")
    odd, even = tuple(range(1, valves + 1, 2)), tuple(range(2, valves + 1, 2))
    # Odd rows first would put 3 before 2 where there are only four rows.
    return even + odd if valves == 4 else odd + even


def neighbours_in_succession(order: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """The pairs of neighbouring valves that follow each other within one cycle of ``order``."""
    return tuple((a, b) for a, b in pairwise(order) if abs(a - b) == 1)
