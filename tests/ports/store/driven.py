"""The core and the store joined as the engine joins them, without the engine's waiting."""

import dataclasses
import time
from collections.abc import Sequence

from core.driver import BASE
from dustcake.adapters.store import SqliteStore
from dustcake.core.events import Event
from dustcake.core.inputs import Input, Outcome, OutputReported, Stamp
from dustcake.core.state import State, first_state
from dustcake.core.step import step
from dustcake.ports import Commit
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Publication, Topics
from dustcake.units import PressureUnit

COLLECTOR = "bay-3"
SETPOINTS = dataclasses.replace(BASE, collector=COLLECTOR)
RENDERER = Renderer(Topics("mill", COLLECTOR), SETPOINTS, PressureUnit.PA, 30)


class Driven:
    """Commits at once what must be, and quiet readings every ``flush_s``. Commands end as done.

    ``told``: every publication of an event, in order. ``taken_s``: how long each commit took.
    ``broker``: whether what the outbox holds is taken from it.
    """

    def __init__(self, store: SqliteStore, flush_s: float = 10.0, state: State | None = None):
        store.describe(RENDERER)
        self._store, self._flush_s = store, flush_s
        self._inputs: list[Input] = []
        self._flushed_s = 0.0
        self.broker = True
        self.told: list[Publication] = []
        self.taken_s: list[float] = []
        self.pulses = 0
        self.state = state or first_state(SETPOINTS, Stamp(99.0, None))

    async def take(self, happened: Input) -> None:
        before = self.state
        result = step(before, happened, SETPOINTS)
        self.state = result.state
        self._inputs.append(happened)
        told: list[Publication] = []
        if result.events or result.state.decision is not before.decision:
            told = RENDERER.changes(before, result.state, result.events, happened.at.utc_s)
        self.told += [one for one in told if one.topic == RENDERER.topics.of("event")]
        self.pulses += sum(event.body.name == "pulse" for event in result.events)
        if result.commands or told or happened.at.mono_s - self._flushed_s >= self._flush_s:
            await self.flush(result.events, told)
            self._flushed_s = happened.at.mono_s
        for command in result.commands:
            utc_s = None if happened.at.utc_s is None else happened.at.utc_s + 0.2
            at = Stamp(happened.at.mono_s + 0.2, utc_s)
            await self.take(OutputReported(at, command.command_id, Outcome.DONE))

    async def flush(self, events: Sequence[Event] = (), told: Sequence[Publication] = ()) -> None:
        began_s = time.perf_counter()
        commit = Commit(COLLECTOR, self._inputs, self.state, events, told)
        assert await self._store.commit(commit) is None
        self.taken_s.append(time.perf_counter() - began_s)
        self._inputs = []
        outbox = self._store.outbox(COLLECTOR)
        while self.broker and (queued := await outbox.pending(10)):
            await outbox.delivered([one.ref for one in queued])
