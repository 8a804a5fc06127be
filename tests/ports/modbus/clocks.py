"""Clocks for tests: one that leaps instead of waiting, one that is real."""

import asyncio
from collections.abc import Callable

from dustcake.core.inputs import Stamp


class LeapClock:
    """Waiting takes no time; ``sleeps`` lists what was waited for.

    ``on_sleep`` is called before each leap; while ``hold`` is set and clear, leaps block on it.
    """

    def __init__(self) -> None:
        self.mono_s = 1000.0
        self.sleeps: list[float] = []
        self.on_sleep: Callable[[], None] = lambda: None
        self.hold: asyncio.Event | None = None
        self.asleep = asyncio.Event()

    def now(self) -> Stamp:
        return Stamp(self.mono_s, None)

    async def sleep_until(self, mono_s: float) -> None:
        self.sleeps.append(mono_s - self.mono_s)
        self.on_sleep()
        self.asleep.set()
        if self.hold is not None:
            await self.hold.wait()
        else:
            await asyncio.sleep(0)
        self.mono_s = max(self.mono_s, mono_s)


class RealClock:
    """The loop's own clock."""

    def now(self) -> Stamp:
        return Stamp(asyncio.get_running_loop().time(), None)

    async def sleep_until(self, mono_s: float) -> None:
        await asyncio.sleep(max(0.0, mono_s - self.now().mono_s))
