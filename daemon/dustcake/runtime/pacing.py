"""Doing something every so often, without drift."""

from collections.abc import AsyncIterator
from math import floor

from dustcake.ports import Clock


async def paced(clock: Clock, every_s: float) -> AsyncIterator[int]:
    """Yield at once and then at absolute multiples of ``every_s`` after that.

    Yields how many slots were missed since the last one, because what was done in between took
    too long; missed slots are not made up for, so a stall causes no burst.
    """
    due_s = clock.now().mono_s
    missed = 0
    while True:
        yield missed
        late_s = clock.now().mono_s - due_s
        missed = max(0, floor(late_s / every_s))
        due_s += (missed + 1) * every_s
        await clock.sleep_until(due_s)
