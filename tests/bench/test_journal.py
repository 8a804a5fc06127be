"""What the journal costs: time of a commit, and bytes that reach the memory card."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.conftest import Add
from core.driver import BASE
from dustcake.adapters.store import SqliteStore
from dustcake.core.events import Event
from dustcake.core.inputs import Input, Outcome, OutputReported, PollCompleted, Restarted
from dustcake.core.setpoints import Setpoints
from dustcake.core.signals import Contacts, Registers
from dustcake.core.stamp import Stamp
from dustcake.core.state import first_state
from dustcake.core.step import step
from dustcake.ports import Commit
from dustcake.publish.publication import Publication
from dustcake.publish.render import Renderer
from dustcake.publish.topics import Topics
from dustcake.units import PressureUnit

DAY_S = 86_400
MOST_MB_A_DAY = 150.0
RENDERER = Renderer(Topics("dustcake", BASE.collector), BASE, PressureUnit.PA, 30)
CONTACTS = Contacts(blower_running=True, smoke=False, door_open=False, process_running=True)


def written_bytes() -> int:
    """What this process has had written to storage, as the kernel counts it: whole pages."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise ValueError("the kernel does not count what is written")


def polls(count: int, pulse_every_s: int | None) -> Iterator[Input]:
    """Readings a second apart that wander as real ones do; with ``pulse_every_s`` they rise to
    where cleaning starts."""
    for n in range(count):
        at = Stamp(100.0 + n, 1_800_000_000.0 + n)
        words = (0x4448, (n * 7919) % 0x8000) if pulse_every_s is None else (0x4496, n % 0x8000)
        yield PollCompleted(at, Registers(words), CONTACTS)


class Driven:
    """The core and the store as the engine joins them: commit at once what must be, and quiet
    readings every ``flush_s``."""

    def __init__(self, store: SqliteStore, setpoints: Setpoints, flush_s: float) -> None:
        self._store, self._setpoints, self._flush_s = store, setpoints, flush_s
        self._inputs: list[Input] = []
        self._flushed_s = 0.0
        self.commits_s: list[float] = []
        self.pulses = 0
        self.state = first_state(setpoints, Stamp(99.0, None))

    async def take(self, happened: Input) -> None:
        before = self.state
        result = step(before, happened, self._setpoints)
        self.state = result.state
        self._inputs.append(happened)
        told: list[Publication] = []
        if result.events or result.state.decision is not before.decision:
            told = RENDERER.changes(before, result.state, result.events, happened.at.utc_s)
        quiet = not (result.commands or told)
        if quiet and happened.at.mono_s - self._flushed_s < self._flush_s:
            return
        await self._commit(result.events, told)
        self._flushed_s = happened.at.mono_s
        for command in result.commands:
            at = Stamp(happened.at.mono_s + 0.2, happened.at.utc_s)
            await self.take(OutputReported(at, command.command_id, Outcome.DONE))
        self.pulses += sum(event.body.name == "pulse" for event in result.events)

    async def _commit(self, events: tuple[Event, ...], told: list[Publication]) -> None:
        began_s = time.perf_counter()
        commit = Commit(BASE.collector, self._inputs, self.state, events, told)
        assert await self._store.commit(commit) is None
        self.commits_s.append(time.perf_counter() - began_s)
        self._inputs = []
        outbox = self._store.outbox(BASE.collector)
        while queued := await outbox.pending(10):  # the broker is there
            await outbox.delivered([one.ref for one in queued])


async def measured(folder: Path, flush_s: float, pulse_every_s: int | None) -> tuple[Driven, float]:
    """Two hours at one reading a second; MB a day."""
    seconds = 7200
    async with SqliteStore.open(folder / "journal.db") as store:
        store.describe(RENDERER)
        driven = Driven(store, BASE, flush_s)
        await driven.take(Restarted(Stamp(99.0, None)))
        before = written_bytes()
        for poll in polls(seconds, pulse_every_s):
            await driven.take(poll)
    return driven, (written_bytes() - before) / 1e6 * DAY_S / seconds


@pytest.mark.timeout(600)
async def test_what_a_commit_costs(tmp_path: Path, row: Add) -> None:
    for flush_s in (1.0, 5.0, 10.0, 30.0):
        folder = tmp_path / f"{flush_s:g}"
        folder.mkdir()
        driven, mb_a_day = await measured(folder, flush_s, None)
        taken = sorted(driven.commits_s)
        p50_ms, p99_ms = (taken[int(len(taken) * part)] * 1e3 for part in (0.5, 0.99))
        row(
            f"journal, 1 Hz, quiet, flush_s {flush_s:g}",
            f"{mb_a_day:.0f} MB a day",
            f"commit p50 {p50_ms:.2f} ms, p99 {p99_ms:.2f} ms; {len(taken)} commits in 2 h",
        )
        if flush_s == 10.0:
            assert mb_a_day <= MOST_MB_A_DAY
