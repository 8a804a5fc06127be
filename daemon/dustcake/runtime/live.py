"""The daemon: every collector of a settings file, one task group, an orderly end."""

import asyncio
import signal
from collections.abc import Sequence
from contextlib import AsyncExitStack
from pathlib import Path

import structlog

from dustcake.adapters.local_socket import LocalSocket
from dustcake.adapters.modbus import open_bus
from dustcake.adapters.store import SqliteStore
from dustcake.core.inputs import Stopping
from dustcake.ports import Clock, Watchdog
from dustcake.runtime.answering import answer_local
from dustcake.runtime.installed import Installed
from dustcake.runtime.vigil import Vigil
from dustcake.settings.model import Settings

log = structlog.get_logger()

LAST_WORDS_S = 0.4  # for what the outbox still holds, once the collectors have stopped


async def run(settings: Settings, clock: Clock, watchdog: Watchdog) -> None:
    """Run until SIGTERM or SIGINT. Raises what the store or the local socket refuse with."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    async with AsyncExitStack() as stack:
        store = await stack.enter_async_context(SqliteStore.open(Path(settings.journal.path)))
        buses = {bus.name: open_bus(bus, clock) for bus in settings.buses}
        for bus in buses.values():
            stack.push_async_callback(bus.aclose)
        vigil = Vigil(watchdog, [collector.name for collector in settings.collectors])
        installed = [
            Installed(settings, collector, buses=buses, store=store, clock=clock, vigil=vigil)
            for collector in settings.collectors
        ]
        await _run_all(settings, installed, stop, watchdog)
    log.info("stopped")


async def _run_all(
    settings: Settings, installed: Sequence[Installed], stop: asyncio.Event, watchdog: Watchdog
) -> None:
    answering = {each.name: each.answering for each in installed}
    status = {each.name: each.status for each in installed}
    local = LocalSocket(
        Path(settings.control.socket),
        lambda line, user: answer_local(line, user, answering, status),
    )
    async with asyncio.TaskGroup() as tasks:
        engines = [tasks.create_task(each.engine.run(), name=each.name) for each in installed]
        for each in installed:
            await each.engine.started.wait()
        around = [tasks.create_task(local.run(), name="local socket")]
        for each in installed:
            around.append(tasks.create_task(each.poll(), name=f"poll {each.name}"))
            around.append(tasks.create_task(each.publish(), name=f"publish {each.name}"))
        for each in installed:
            await each.engine.decided.wait()
        log.info("running", collectors=[each.name for each in installed])
        watchdog.ready()
        await stop.wait()
        log.info("stopping")
        watchdog.stopping()
        for each in installed:
            await each.engine.post(Stopping)
        await asyncio.wait(engines)
        for each in installed:
            try:
                async with asyncio.timeout(LAST_WORDS_S):
                    await each.drained()
            except TimeoutError:
                log.info("the broker gets the rest at the next start", collector=each.name)
        for task in around:
            task.cancel()
