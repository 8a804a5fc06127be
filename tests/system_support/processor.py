"""How long processes had to wait for a processor, by the kernel's own account: on a machine that
others use as well, what is late by no more than that was not held up by the process itself."""

import asyncio
import contextlib
import time
from bisect import bisect_left, bisect_right
from collections.abc import AsyncIterator, Iterable
from pathlib import Path

SAMPLED_EVERY_S = 0.02


class ProcessorWaits:
    """What the main threads of these processes have waited so far, sampled while ``recording``."""

    def __init__(self, pids: Iterable[int]) -> None:
        self._files = [Path(f"/proc/{pid}/schedstat") for pid in pids]
        self._at_s: list[float] = []
        self._waited_s: list[float] = []

    @contextlib.asynccontextmanager
    async def recording(self) -> AsyncIterator["ProcessorWaits"]:
        """Sample until the block ends."""
        task = asyncio.create_task(self._record())
        try:
            yield self
        finally:
            task.cancel()
            self._sample()

    async def _record(self) -> None:
        while True:
            self._sample()
            await asyncio.sleep(SAMPLED_EVERY_S)

    def _sample(self) -> None:
        # A process that has ended waits no longer.
        with contextlib.suppress(OSError):
            waited_ns = sum(int(file.read_text().split()[1]) for file in self._files)
            self._at_s.append(time.monotonic())
            self._waited_s.append(waited_ns / 1e9)

    def between_s(self, began_s: float, ended_s: float) -> float:
        """How much they waited between these monotonic times; rather more than less."""
        first = max(0, bisect_right(self._at_s, began_s) - 1)
        last = min(len(self._at_s) - 1, bisect_left(self._at_s, ended_s))
        return max(0.0, self._waited_s[last] - self._waited_s[first])
