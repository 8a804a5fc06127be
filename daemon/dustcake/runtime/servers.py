"""What others read: a PLC its registers, a monitoring system its figures."""

import asyncio
from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from importlib.metadata import version
from pathlib import Path

import structlog

from dustcake.adapters.plc import PlcServer
from dustcake.adapters.store import SqliteStore
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.ports import Clock
from dustcake.publish.metrics import STEP_BOUNDS_S, CollectorState, Family, StepTimes, families
from dustcake.publish.plc import RegisterSource, image
from dustcake.runtime.collector_service import CollectorService
from dustcake.settings.extras import is_installed, not_installed
from dustcake.settings.model import Settings
from dustcake.settings.services import Metrics, Plc
from dustcake.settings.setpoints import to_setpoints


class PlcService:
    """Watches every collector; the registers are made when they are read."""

    def __init__(
        self, settings: Settings, plc: Plc, services: Sequence[CollectorService], clock: Clock
    ) -> None:
        self._clock = clock
        self._latest: dict[int, tuple[State, Setpoints]] = {}
        self._steps: dict[int, int] = {}
        self._server = PlcServer(
            plc.host,
            plc.port,
            self._registers,
            most_connections=plc.most_connections,
            idle_s=plc.idle_s,
        )
        for unit, collector in enumerate(settings.collectors, start=1):
            observe = partial(self._observe, unit, to_setpoints(collector))
            services[unit - 1].watchers.append(observe)

    def _observe(self, unit: int, setpoints: Setpoints, state: State) -> None:
        self._latest[unit] = (state, setpoints)
        self._steps[unit] = self._steps.get(unit, 0) + 1

    def _registers(self, unit: int) -> Sequence[int] | None:
        if unit not in self._latest:
            return None
        state, setpoints = self._latest[unit]
        return image(RegisterSource(state, setpoints, self._steps[unit], self._clock.now().mono_s))

    async def serve(self) -> None:
        """Until cancelled."""
        await self._server.run()


DISK_WITHIN_S = 1.0

log = structlog.get_logger()


class MetricsService:
    """Watches every collector; figures are made when they are read."""

    def __init__(
        self,
        settings: Settings,
        metrics: Metrics,
        services: Sequence[CollectorService],
        store: SqliteStore,
        clock: Clock,
    ) -> None:
        self._metrics = metrics
        self._services = services
        self._setpoints = [to_setpoints(collector) for collector in settings.collectors]
        self._store = store
        self._journal = Path(settings.journal.path)
        self._clock = clock
        self._steps = [_Timing() for _ in services]
        for each, timing in zip(services, self._steps, strict=True):
            each.watchers.append(partial(timing.note, each))

    async def serve(self) -> None:
        """Until cancelled. Where the extra is missing that is logged, and nothing is served."""
        if not is_installed("metrics"):
            cause, remedy = not_installed("metrics")
            log.error("metrics cannot be served", cause=cause, remedy=remedy)
            return
        from dustcake.adapters.metrics import MetricsServer

        await MetricsServer(self._snapshot, self._metrics.host, self._metrics.port).run()

    async def _snapshot(self) -> Callable[[], Iterable[Family]]:
        """Taken in the loop; what it gives may be called in a thread, as it holds values only."""
        waiting: dict[str, int] = {}
        try:
            async with asyncio.timeout(DISK_WITHIN_S):
                waiting = await self._store.waiting()
        except TimeoutError:
            pass  # a disk that stalls has an alarm of its own; nothing else need wait for it
        seen = [
            self._seen(*one, waiting)
            for one in zip(self._services, self._setpoints, self._steps, strict=True)
        ]
        return lambda: families(seen, version("dustcake"), _size(self._journal))

    def _seen(
        self,
        collector: CollectorService,
        setpoints: Setpoints,
        timing: "_Timing",
        waiting: dict[str, int],
    ) -> CollectorState:
        return CollectorState(
            collector.engine.state,
            setpoints,
            self._clock.now().mono_s,
            collector.polls,
            collector.polls_failed,
            collector.polls_missed,
            StepTimes(tuple(timing.counts), timing.sum_s),
            collector.connected,
            waiting.get(collector.name),
        )


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
