"""The daemon: every collector of a settings file, one task group, an orderly end."""

import asyncio
import gc
import signal
from collections.abc import Callable, Coroutine, Iterable, Sequence
from contextlib import AsyncExitStack
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from dustcake.adapters.host import ServiceManager
from dustcake.adapters.local_socket import LocalSocket
from dustcake.adapters.modbus import Bus
from dustcake.adapters.plc import PlcServer
from dustcake.adapters.store import Retention, SqliteStore
from dustcake.core.inputs import Stopping
from dustcake.ports import Clock
from dustcake.runtime.collector_service import CollectorService, WatchdogFeeder, link_content, paced
from dustcake.runtime.faces import SparkplugNode, metrics_snapshot, plc_registers
from dustcake.runtime.panel import PanelSource, serve_panel
from dustcake.runtime.request_service import answer_local
from dustcake.runtime.shutdown import (
    AGAIN_S,
    DISK_S,
    DRAIN_S,
    LEAVE_S,
    OUTPUTS_S,
    TAKEN_S,
    DaemonThreadPool,
    end,
)
from dustcake.settings.extras import missing_extras
from dustcake.settings.model import Settings

log = structlog.get_logger()

STATUS_EVERY_S = 3.0  # the line for the service manager


_ENDING = "TERM INT HUP QUIT USR1 USR2 ALRM VTALRM PROF IO PWR STKFLT XCPU"
ENDING = (
    *(signal.Signals[f"SIG{name}"] for name in _ENDING.split()),
    *range(signal.SIGRTMIN, signal.SIGRTMAX + 1),
)
"""Every signal that ends a process unless it takes it, but for SIGKILL and those of its own
faults; any of these, sent by whoever, would else leave a valve as it is just then."""

STOPPING = (signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU)
"""They would stop a process without ending it, valves as they are."""


async def run(settings: Settings, clock: Clock, watchdog: ServiceManager) -> None:
    """Run until a signal of ``ENDING``. Raises what the store or the local socket refuse with."""
    loop = asyncio.get_running_loop()
    stop: asyncio.Future[str] = loop.create_future()
    loop.set_default_executor(DaemonThreadPool())
    for number in ENDING:
        loop.add_signal_handler(number, _end_on, number, stop)
    for number in STOPPING:
        signal.signal(number, signal.SIG_IGN)
    journal = settings.journal
    retention = Retention(journal.raw_days, journal.minutes_days, journal.max_size_mb * 1_000_000)
    async with AsyncExitStack() as stack:
        store = await stack.enter_async_context(SqliteStore.open(Path(journal.path), retention))
        buses = {bus.name: Bus(bus, clock) for bus in settings.buses}
        for bus in buses.values():
            stack.push_async_callback(bus.aclose)
        feeder = WatchdogFeeder(watchdog, [collector.name for collector in settings.collectors])
        services = [
            CollectorService(
                settings, collector, buses=buses, store=store, clock=clock, watchdog_feeder=feeder
            )
            for collector in settings.collectors
        ]
        await _run_all(settings, services, store, stop, watchdog, clock, buses.values())
    log.info("stopped")


def _end_on(number: int, stop: asyncio.Future[str]) -> None:
    if stop.done():
        return
    try:
        stop.set_result(signal.Signals(number).name)
    except ValueError:  # most real-time signals have no name
        stop.set_result(str(number))


async def _run_all(
    settings: Settings,
    services: Sequence[CollectorService],
    store: SqliteStore,
    stop: asyncio.Future[str],
    watchdog: ServiceManager,
    clock: Clock,
    buses: Iterable[Bus],
) -> None:
    node, faces = None, _faces(settings, services, store, clock)
    if settings.sparkplug is not None:
        node = SparkplugNode(settings, settings.sparkplug, services, clock)
        faces["publish sparkplug"] = node.link.run
    local = LocalSocket(Path(settings.control.socket), partial(_answer, services, node))
    async with asyncio.TaskGroup() as tasks:
        around = [tasks.create_task(local.run(), name="local socket")]
        # Before anything moves: if another daemon has it, that one's valves are not ours.
        await local.opened.wait()
        engines = [tasks.create_task(each.engine.run(), name=each.name) for each in services]
        for each in services:
            await each.engine.started.wait()
        for each in services:
            around += [
                tasks.create_task(work, name=f"{name} {each.name}")
                for name, work in each.background().items()
            ]
        around += [tasks.create_task(serve(), name=name) for name, serve in faces.items()]
        announcing = tasks.create_task(_announce(services, watchdog, clock), name="announce")
        number = await stop
        announcing.cancel()
        log.info("stopping", signal=number)
        watchdog.stopping()
        began_s = clock.now().mono_s
        await _stop(services, engines, tasks.create_task(_stopped(services), name="stopping"))
        # An output that has not answered by now is not waited for: it finds its bus closed.
        for bus in buses:
            await bus.aclose()
        # What the outputs have not needed of their share is the broker's.
        left_s = max(0.0, OUTPUTS_S - (clock.now().mono_s - began_s))
        await _drain(services, node, DRAIN_S + left_s)
        await end(around, LEAVE_S + AGAIN_S)


async def _drain(
    services: Sequence[CollectorService], node: SparkplugNode | None, within_s: float
) -> None:
    """Return when brokers that are there have everything, or the time is over."""
    try:
        async with asyncio.timeout(within_s):
            for each in services:
                await each.drained()
            while node is not None and node.link.is_behind:  # noqa: ASYNC110 -- it has no event
                await asyncio.sleep(0.01)
    except TimeoutError:
        log.info("the broker gets the rest at the next start")


def _faces(
    settings: Settings, services: Sequence[CollectorService], store: SqliteStore, clock: Clock
) -> dict[str, Callable[[], Coroutine[Any, Any, None]]]:
    """What serves others, by name. Where an extra is missing that is logged, and nothing is served:
    control does not depend on it."""
    missing = missing_extras(settings)
    for extra, (cause, remedy) in missing.items():
        log.error(f"{extra} cannot be served", cause=cause, remedy=remedy)
    faces: dict[str, Callable[[], Coroutine[Any, Any, None]]] = {}
    if settings.plc is not None:
        registers = partial(plc_registers, services, clock)
        faces["PLC server"] = PlcServer(settings.plc, registers).run
    if settings.panel is not None and "panel" not in missing:
        source = PanelSource(settings, services, clock)
        faces["panel"] = partial(serve_panel, settings.panel, source, clock)
    if settings.metrics is not None and "metrics" not in missing:
        from dustcake.adapters.metrics import serve

        journal = Path(settings.journal.path)
        snapshot = partial(metrics_snapshot, services, store, journal, clock)
        faces["metrics"] = partial(serve, snapshot, settings.metrics.host, settings.metrics.port)
    return faces


async def _stopped(services: Sequence[CollectorService]) -> None:
    """Post ``Stopping`` to every collector, and return when all have."""
    await asyncio.gather(*(each.engine.post(Stopping) for each in services))
    for each in services:
        await each.engine.stopped.wait()


async def _stop(
    services: Sequence[CollectorService],
    engines: Sequence[asyncio.Task[None]],
    stopped: asyncio.Task[None],
) -> None:
    """Wait for ``stopped``, but not for ever for a disk that stalls: valves go off first, and then
    it is done without."""
    await asyncio.wait({stopped}, timeout=TAKEN_S)
    for each in services:
        if not each.engine.state.stopping:
            each.engine.secure()
    await asyncio.wait({stopped}, timeout=DISK_S)
    if stopped.done():
        return
    stopped.cancel()
    log.error(
        "the disk does not answer",
        consequence="last entries are lost",
        remedy="check the disk, replace a worn SD card",
    )
    for engine in engines:
        engine.cancel()
    await asyncio.wait(engines, timeout=OUTPUTS_S)


async def _announce(
    services: Sequence[CollectorService], watchdog: ServiceManager, clock: Clock
) -> None:
    """Say that the daemon runs, once every collector has decided on a first reading, and from then
    on now and again what they do."""
    for each in services:
        await each.engine.decided.wait()
    # What is there by now stays: the garbage collector need not go through it again and again, in
    # the middle of a reading.
    gc.collect()
    gc.freeze()
    log.info("running", collectors=[each.name for each in services])
    watchdog.ready()
    shown = ""
    async for _ in paced(clock, STATUS_EVERY_S):
        line = "; ".join(each.summary() for each in services)
        if line != shown:
            watchdog.status(line)
            shown = line


async def _answer(
    services: Sequence[CollectorService], node: SparkplugNode | None, line: bytes, user: str
) -> bytes:
    """Answer one line of the local socket, which is open before the collectors are."""
    for each in services:
        await each.engine.started.wait()
    request_service = {each.name: each.request_service for each in services}
    status = {each.name: partial(_status, each, node) for each in services}
    commission = {each.name: each.commissioning.answer for each in services}
    return await answer_local(line, user, request_service, status, commission)


def _status(collector: CollectorService, node: SparkplugNode | None) -> dict[str, Any]:
    link = None if node is None else node.link
    return {**collector.status(), "sparkplug": link_content(link)}
