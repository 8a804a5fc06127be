"""A journal with much that no broker has been told of, as after days without one."""

import time
from pathlib import Path

from dustcake.adapters.store import Retention, SqliteStore
from dustcake.core.events import Event
from dustcake.core.inputs import (
    Contacts,
    Input,
    Measured,
    OperatorRequested,
    PollCompleted,
    Restarted,
    Stamp,
)
from dustcake.core.requests.kinds import Mode, SelectMode
from dustcake.core.state import first_state
from dustcake.core.step import step
from dustcake.ports import Commit
from dustcake.publish.topics import Publication
from dustcake.settings.load import load_settings
from dustcake.settings.setpoints import to_setpoints
from processes.ledger import renderer

TOGETHER = 100
POLL_S = 20


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


async def fill_minutes(file: Path, minutes: int, most: int) -> None:
    """Let so many minutes have passed, up to now, of which no more than about ``most`` may wait."""
    settings = load_settings(file)
    (collector,) = settings.collectors
    setpoints, words = to_setpoints(collector), renderer(file)
    now = Stamp(time.monotonic(), time.time())
    assert now.utc_s is not None
    blower = Contacts(blower_running=True, smoke=False, door_open=False)
    state = first_state(setpoints, now)
    retention = Retention(most_minutes_queued=most)
    async with SqliteStore.open(Path(settings.journal.path), retention) as store:
        store.describe(words)
        for past_s in range(60 * minutes, 0, -POLL_S):
            at = Stamp(now.mono_s - past_s, now.utc_s - past_s)
            poll = PollCompleted(at, Measured(500.0), blower)
            result = step(state, poll, setpoints)
            told = words.changes(state, result.state, result.events, at.utc_s)
            state = result.state
            commit = Commit(collector.name, [poll], state, result.events, told)
            assert await store.commit(commit) is None
