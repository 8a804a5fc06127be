"""An event loop whose time jumps to the next timer when nothing is left to do."""

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any

from dustcake.core.inputs import Stamp

START_UTC_S = 1_900_000_000.0


class _Jumping(selectors.SelectSelector):
    """Waits for no time at all; the loop's clock is moved on by what would have been waited."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if not ready:
            if timeout is None:
                raise RuntimeError("deadlock: everything waits, and no timer is set")
            self.now_s += max(timeout, 0.0)
        return ready


class SimulatedLoop(asyncio.SelectorEventLoop):
    """Real asyncio, simulated time."""

    def __init__(self) -> None:
        self._jumping = _Jumping()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.now_s


class SimulatedClock:
    """The port Clock on a SimulatedLoop. ``utc_offset_s`` may be set, as if a clock were stepped;
    None while the clock is not known."""

    def __init__(self) -> None:
        self.utc_offset_s: float | None = START_UTC_S

    def now(self) -> Stamp:
        mono_s = asyncio.get_running_loop().time()
        utc_s = None if self.utc_offset_s is None else self.utc_offset_s + mono_s
        return Stamp(mono_s, utc_s)

    async def sleep_until(self, mono_s: float) -> None:
        await asyncio.sleep(mono_s - asyncio.get_running_loop().time())


def run(main: Coroutine[Any, Any, None]) -> None:
    """Run ``main`` to its end in simulated time; fails if it leaves a task behind."""

    async def tidily() -> None:
        await main
        left = asyncio.all_tasks() - {asyncio.current_task()}
        assert not left, f"tasks left running: {left}"

    with asyncio.Runner(loop_factory=SimulatedLoop) as runner:
        runner.run(tidily())
