"""An engine with everything around it faked, under simulated time."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial

from core.driver import BASE
from dustcake.core.inputs import Contacts, Measured, PollCompleted, Signal, Stopping
from dustcake.core.setpoints import Setpoints
from dustcake.ports import Outputs
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Publication, Topics
from dustcake.runtime.engine import Engine
from dustcake.units import PressureUnit
from ports.fake_field import FakeField
from ports.fake_store import FakeStore
from runtime.simulated_time import SimulatedClock


class Bench:
    """One engine and what surrounds it. ``dp`` is what each poll reads."""

    def __init__(self, setpoints: Setpoints, store: FakeStore, outputs: Outputs | None) -> None:
        self.setpoints = setpoints
        self.store = store
        self.field = FakeField(setpoints.pulsing.kind, len(setpoints.pulsing.order))
        self.clock = SimulatedClock()
        self.fed_times = 0
        self.live: list[Publication] = []
        self.dp: Signal = Measured(600.0)
        self.contacts = Contacts()
        self.engine = Engine(
            setpoints,
            clock=self.clock,
            journal=store,
            outputs=outputs or self.field,
            renderer=Renderer(Topics("root", "bay-3"), setpoints, PressureUnit.PA, 30),
            live=self.live.append,
            fed=self._fed,
            flush_s=5.0,
            measurement_every_s=10.0,
        )

    def _fed(self) -> None:
        self.fed_times += 1

    async def poll_for(self, duration_s: float, every_s: float = 1.0) -> None:
        """Poll the present dP for a while, from now on."""
        until_s = self.clock.now().mono_s + duration_s
        while self.clock.now().mono_s < until_s:
            await self.engine.post(partial(PollCompleted, dp=self.dp, contacts=self.contacts))
            await asyncio.sleep(every_s)

    async def until(self, condition: Callable[[], bool], within_s: float = 100.0) -> None:
        """Let time pass until ``condition`` holds."""
        until_s = self.clock.now().mono_s + within_s
        while not condition():
            assert self.clock.now().mono_s < until_s, "did not come about in time"
            await asyncio.sleep(0.01)

    def events(self) -> list[str]:
        """Names of all committed events, in order."""
        return [event.body.name for commit in self.store.commits for event in commit.events]

    def told(self, leaf: str) -> list[bytes]:
        """Payloads that were published live on this topic."""
        return [p.payload for p in self.live if p.topic == f"root/bay-3/{leaf}"]


@asynccontextmanager
async def running(
    setpoints: Setpoints = BASE, store: FakeStore | None = None, outputs: Outputs | None = None
) -> AsyncIterator[Bench]:
    """A running engine; stopped in order at the end."""
    bench = Bench(setpoints, store or FakeStore(), outputs)
    task = asyncio.create_task(bench.engine.run())
    await bench.engine.started.wait()
    try:
        yield bench
    finally:
        if not task.done():
            await bench.engine.post(Stopping)
        await task
