"""A journal with many events that no broker has been told of, as after days without one."""

import time
from pathlib import Path

from dustcake.adapters.store import SqliteStore
from dustcake.core.events import Event
from dustcake.core.inputs import Input, OperatorRequested, Restarted
from dustcake.core.requests import Mode, SelectMode
from dustcake.core.stamp import Stamp
from dustcake.core.state import first_state
from dustcake.core.step import step
from dustcake.ports import Commit
from dustcake.publish.publication import Publication
from dustcake.settings.load import load_settings
from dustcake.settings.setpoints import to_setpoints
from processes.ledger import renderer

TOGETHER = 100


async def fill_outbox(file: Path, events: int) -> None:
    """Let somebody have selected one mode after the other until there are so many events."""
    settings = load_settings(file)
    (collector,) = settings.collectors
    setpoints, words = to_setpoints(collector), renderer(file)
    at = Stamp(time.monotonic(), time.time())
    state = first_state(setpoints, at)
    happened: Input = Restarted(at, None)
    n = 0
    async with SqliteStore.open(Path(settings.journal.path)) as store:
        store.describe(words)
        while state.next_seq <= events:
            inputs: list[Input] = []
            gathered: list[Event] = []
            told: list[Publication] = []
            for _ in range(TOGETHER):
                result = step(state, happened, setpoints)
                told += words.changes(state, result.state, result.events, at.utc_s)
                state = result.state
                inputs.append(happened)
                gathered += result.events
                n += 1
                mode = Mode.OFF if n % 2 else Mode.TIMED
                happened = OperatorRequested(at, SelectMode(mode), "somebody", f"n{n}")
            commit = Commit(collector.name, inputs, state, gathered, told)
            assert await store.commit(commit) is None
