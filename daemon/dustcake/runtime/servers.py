"""What others read: a PLC its registers, a monitoring system its figures."""

import asyncio
from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import partial
from importlib.metadata import version
from pathlib import Path

from dustcake.adapters.plc import PlcServer
from dustcake.adapters.store import SqliteStore
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.metrics import STEP_BOUNDS_S, CollectorState, Family, StepTimes, families
from dustcake.publish.plc import RegisterSource, image
from dustcake.runtime.collector_service import CollectorService
from dustcake.settings.services import Plc

DISK_WITHIN_S = 1.0


class PlcService:
    """Watches every collector; the registers are made when they are read."""

    def __init__(self, plc: Plc, services: Sequence[CollectorService], clock: Clock) -> None:
        self._services = services
        self._clock = clock
        # By unit: the newest state, and how many there have been.
        self._seen: dict[int, tuple[State, int]] = {}
        self.server = PlcServer(
            plc.host,
            plc.port,
            self._registers,
            most_connections=plc.most_connections,
            idle_s=plc.idle_s,
        )
        for unit, each in enumerate(services, start=1):
            each.watchers.append(partial(self._observe, unit))

    def _observe(self, unit: int, state: State) -> None:
        _, steps = self._seen.get(unit, (state, 0))
        self._seen[unit] = state, steps + 1

    def _registers(self, unit: int) -> Sequence[int] | None:
        if unit not in self._seen:
            return None
        state, steps = self._seen[unit]
        setpoints = self._services[unit - 1].setpoints
        return image(RegisterSource(state, setpoints, steps, self._clock.now().mono_s))


class MetricsService:
    """Watches every collector; figures are made when they are read."""

    def __init__(
        self, services: Sequence[CollectorService], store: SqliteStore, journal: Path, clock: Clock
    ) -> None:
        self._timings = {each: _Timing() for each in services}
        self._store = store
        self._journal = journal
        self._clock = clock
        for each, timing in self._timings.items():
            each.watchers.append(partial(timing.note, each))

    async def snapshot(self) -> Callable[[], Iterable[Family]]:
        """Taken in the loop; what it gives may be called in a thread, as it holds values only."""
        waiting: dict[str, int] = {}
        # A disk that stalls has an alarm of its own; nothing else need wait for it.
        with suppress(TimeoutError):
            async with asyncio.timeout(DISK_WITHIN_S):
                waiting = await self._store.waiting()
        mono_s = self._clock.now().mono_s
        seen = [
            CollectorState(
                each.engine.state,
                each.setpoints,
                mono_s,
                each.polls,
                each.polls_failed,
                each.polls_missed,
                StepTimes(tuple(timing.counts), timing.sum_s),
                None if each.link is None else each.link.status.connected,
                waiting.get(each.name),
            )
            for each, timing in self._timings.items()
        ]
        return lambda: families(seen, version("dustcake"), _size(self._journal))


class _Timing:
    def __init__(self) -> None:
        self.counts = [0] * (len(STEP_BOUNDS_S) + 1)
        self.sum_s = 0.0

    def note(self, collector: CollectorService, state: State) -> None:
        del state
        took_s = collector.engine.step_s
        self.counts[bisect_left(STEP_BOUNDS_S, took_s)] += 1
        self.sum_s += took_s


def _size(journal: Path) -> int | None:
    """Bytes of the file and of the log beside it; None where there is none."""
    parts = (journal, journal.with_name(f"{journal.name}-wal"))
    try:
        return sum(part.stat().st_size for part in parts if part.exists())
    except OSError:
        return None
