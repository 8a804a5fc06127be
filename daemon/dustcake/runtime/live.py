"""The daemon: every collector of a settings file, one task group, an orderly end."""

import asyncio
import gc
import signal
from collections.abc import Iterable, Sequence
from contextlib import AsyncExitStack
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from dustcake.adapters.local_socket import LocalSocket
from dustcake.adapters.modbus import BusLine, open_bus
from dustcake.adapters.store import Retention, SqliteStore
from dustcake.core.inputs import Stopping
from dustcake.ports import Clock, Watchdog
from dustcake.runtime.answering import answer_local
from dustcake.runtime.ending import (
    AGAIN_S,
    DISK_S,
    LAST_WORDS_S,
    LEAVE_S,
    OUTPUTS_S,
    TAKEN_S,
    Unattended,
    end,
)
from dustcake.runtime.installed import Installed
from dustcake.runtime.metrics import MetricsFace
from dustcake.runtime.pacing import paced
from dustcake.runtime.panel import PanelSource, serve_panel
from dustcake.runtime.plc import PlcFace
from dustcake.runtime.sparkplug import SparkplugNode
from dustcake.runtime.vigil import Vigil
from dustcake.settings.model import Settings
from dustcake.settings.services import Journal

log = structlog.get_logger()

STATUS_EVERY_S = 3.0  # the line for the service manager


ENDING = (
    signal.SIGTERM,
    signal.SIGINT,
    signal.SIGHUP,
    signal.SIGQUIT,
    signal.SIGUSR1,
    signal.SIGUSR2,
    signal.SIGALRM,
    signal.SIGVTALRM,
    signal.SIGPROF,
    signal.SIGIO,
    signal.SIGPWR,
    signal.SIGSTKFLT,
    signal.SIGXCPU,
    *range(signal.SIGRTMIN, signal.SIGRTMAX + 1),
)
"""Every signal that ends a process unless it takes it, but for SIGKILL and those of its own
faults; any of these, sent by whoever, would else leave a valve as it is just then."""

STOPPING = (signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU)
"""They would stop a process without ending it, valves as they are."""


async def run(settings: Settings, clock: Clock, watchdog: Watchdog) -> None:
    """Run until a signal of ``ENDING``. Raises what the store or the local socket refuse with."""
    loop = asyncio.get_running_loop()
    stop: asyncio.Future[str] = loop.create_future()
    loop.set_default_executor(Unattended())
    for number in ENDING:
        loop.add_signal_handler(number, _end_on, number, stop)
    for number in STOPPING:
        signal.signal(number, signal.SIG_IGN)
    async with AsyncExitStack() as stack:
        store = await stack.enter_async_context(
            SqliteStore.open(Path(settings.journal.path), _retention(settings.journal))
        )
        buses = {bus.name: open_bus(bus, clock) for bus in settings.buses}
        for bus in buses.values():
            stack.push_async_callback(bus.aclose)
        vigil = Vigil(watchdog, [collector.name for collector in settings.collectors])
        installed = [
            Installed(settings, collector, buses=buses, store=store, clock=clock, vigil=vigil)
            for collector in settings.collectors
        ]
        await _run_all(settings, installed, store, stop, watchdog, clock, buses.values())
    log.info("stopped")


def _end_on(number: int, stop: asyncio.Future[str]) -> None:
    if not stop.done():
        stop.set_result(_name(number))


def _name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:  # most real-time signals have none
        return str(number)


def _retention(journal: Journal) -> Retention:
    return Retention(journal.raw_days, journal.minutes_days, journal.max_size_mb * 1_000_000)


async def _run_all(
    settings: Settings,
    installed: Sequence[Installed],
    store: SqliteStore,
    stop: asyncio.Future[str],
    watchdog: Watchdog,
    clock: Clock,
    buses: Iterable[BusLine],
) -> None:
    node = None
    if settings.sparkplug is not None:
        node = SparkplugNode(settings, settings.sparkplug, installed, clock)
    plc = None if settings.plc is None else PlcFace(settings, settings.plc, installed, clock)
    panel = None if settings.panel is None else PanelSource(settings, installed, clock)
    metrics = None
    if settings.metrics is not None:
        metrics = MetricsFace(settings, settings.metrics, installed, store, clock)
    local = LocalSocket(Path(settings.control.socket), partial(_answer, installed, node))
    async with asyncio.TaskGroup() as tasks:
        around = [tasks.create_task(local.run(), name="local socket")]
        # Before anything moves: if another daemon has it, that one's valves are not ours.
        await local.opened.wait()
        engines = [tasks.create_task(each.engine.run(), name=each.name) for each in installed]
        for each in installed:
            await each.engine.started.wait()
        for each in installed:
            around.append(tasks.create_task(each.poll(), name=f"poll {each.name}"))
            around.append(tasks.create_task(each.publish(), name=f"publish {each.name}"))
            commissioning = each.commissioning.run()
            around.append(tasks.create_task(commissioning, name=f"commissioning {each.name}"))
            keeping = tasks.create_task(each.keep_watchdog(), name=f"module watchdog {each.name}")
            around.append(keeping)
        if node is not None:
            around.append(tasks.create_task(node.publish(), name="publish sparkplug"))
        if plc is not None:
            around.append(tasks.create_task(plc.serve(), name="PLC server"))
        if settings.panel is not None and panel is not None:
            page = serve_panel(settings, settings.panel, panel, clock)
            around.append(tasks.create_task(page, name="panel"))
        if metrics is not None:
            around.append(tasks.create_task(metrics.serve(), name="metrics"))
        around.append(tasks.create_task(_announce(installed, watchdog, clock), name="announce"))
        number = await stop
        around.pop().cancel()
        log.info("stopping", signal=number)
        watchdog.stopping()
        began_s = clock.now().mono_s
        await _stop(installed, engines, tasks.create_task(_stopped(installed), name="stopping"))
        # An output that has not answered by now is not waited for: it finds its bus closed.
        for bus in buses:
            await bus.aclose()
        # What the outputs have not needed of their share is the broker's.
        left_s = max(0.0, OUTPUTS_S - (clock.now().mono_s - began_s))
        try:
            async with asyncio.timeout(LAST_WORDS_S + left_s):
                for each in installed:
                    await each.drained()
                while node is not None and node.is_behind:  # noqa: ASYNC110 -- it tells no event
                    await asyncio.sleep(0.01)
        except TimeoutError:
            log.info("the broker gets the rest at the next start")
        await end(around, LEAVE_S + AGAIN_S)


async def _stopped(installed: Sequence[Installed]) -> None:
    """Ask every collector to stop, and return when all have."""
    await asyncio.gather(*(each.engine.post(Stopping) for each in installed))
    for each in installed:
        await each.engine.stopped.wait()


async def _stop(
    installed: Sequence[Installed],
    engines: Sequence[asyncio.Task[None]],
    stopped: asyncio.Task[None],
) -> None:
    """Wait for ``stopped``, but not for ever for a disk that stalls: valves go off first, and then
    it is done without."""
    await asyncio.wait({stopped}, timeout=TAKEN_S)
    for each in installed:
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


async def _announce(installed: Sequence[Installed], watchdog: Watchdog, clock: Clock) -> None:
    """Say that the daemon runs, once every collector has decided on a first reading, and from then
    on now and again what they do."""
    for each in installed:
        await each.engine.decided.wait()
    # What is there by now stays: the garbage collector need not go through it again and again, in
    # the middle of a reading.
    gc.collect()
    gc.freeze()
    log.info("running", collectors=[each.name for each in installed])
    watchdog.ready()
    told = ""
    async for _ in paced(clock, STATUS_EVERY_S):
        line = "; ".join(each.summary() for each in installed)
        if line != told:
            watchdog.status(line)
            told = line


async def _answer(
    installed: Sequence[Installed], node: SparkplugNode | None, line: bytes, user: str
) -> bytes:
    """Answer one line of the local socket, which is open before the collectors are."""
    for each in installed:
        await each.engine.started.wait()
    answering = {each.name: each.answering for each in installed}
    status = {each.name: partial(_status, each, node) for each in installed}
    commission = {each.name: each.commissioning.answer for each in installed}
    return await answer_local(line, user, answering, status, commission)


def _status(collector: Installed, node: SparkplugNode | None) -> dict[str, Any]:
    return {**collector.status(), "sparkplug": None if node is None else node.status()}
