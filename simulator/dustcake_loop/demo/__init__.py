"""Run simulator, broker and daemon together, and show what they do.

example:
  dustcake demo

Tells a story in about two minutes, at many times real speed: filters load, a cleaning brings dP
back, then the media wears and the filter-replacement alarm is raised. Everything shown has come
through MQTT from the same daemon that runs a real collector. Broker and simulator listen on this
machine only and end with the demo. Exit code 0: the story came to its end; 1: it did not.
"""

import argparse
import asyncio
import json
import signal
import socket
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from importlib import resources
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

from dustcake.cli.common import DONE, FAILED, CommandError, between, fail
from dustcake.settings.extras import install_hint

if TYPE_CHECKING:
    from dustcake_loop.demo.screen import PlantView


NEXT = """
That was the daemon with a simulated collector. With real hardware: copy the file in config/ that is
nearest to your plant, put in your buses and addresses, then
  dustcake check FILE    says what it understood
  dustcake read FILE     shows what your transmitter says, and touches no output
  dustcake run FILE      runs it
Lock out and vent the header before any work, and have a licensed person connect it."""

LONGEST_S = 180.0
START_WITHIN_S = 20.0
STOP_WITHIN_S = 5.0
REDRAWN_S = 0.25
PLAIN_MEASUREMENT_S = 5.0  # measurements are many; as lines, one in this time is enough
AFTERWARDS_S = 8.0  # so that the alarm can be read


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake demo`."""
    parser.add_argument(
        "--plain", action="store_true", help="print messages as lines instead of a screen"
    )
    parser.add_argument(
        "--speed",
        type=between(1.0, 1000.0, "how many times faster", inclusive=True),
        default=60.0,
        help="how many times faster dust loads, 1 to 1000 (default 60)",
    )


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    try:
        import iotcore  # noqa: F401
        import rich  # noqa: F401
    except ImportError:
        raise CommandError(f"the demo needs {install_hint('demo')}") from None
    plain = arguments.plain or not sys.stdout.isatty()
    with tempfile.TemporaryDirectory(prefix="dustcake-demo-") as directory:
        try:
            over = asyncio.run(_run_story(Path(directory), plain, arguments.speed))
        except (KeyboardInterrupt, asyncio.CancelledError):
            over = True
    if over:
        print(NEXT)
    return DONE if over else FAILED


async def _run_story(directory: Path, plain: bool, speed: float) -> bool:
    """Run the story; whether it came to its end."""
    from dustcake_loop.demo.screen import PlantView

    # However it is broken off, its processes have to be ended in order.
    this = asyncio.current_task()
    assert this is not None  # a coroutine that runs is in a task
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, this.cancel)
    view, problem = PlantView(), ""
    try:
        async with (
            everything(directory, "worn_filters", speed) as (mqtt_port, processes),
            asyncio.TaskGroup() as group,
        ):
            # These end only by a fault, which must not look like a silent plant.
            watching = [group.create_task(_listen(mqtt_port, view, plain=plain))]
            for name, process in processes.items():
                watching.append(group.create_task(_end_of(directory, name, process)))
            await (_until_over(view) if plain else _show(view))
            for task in watching:
                task.cancel()
    except* DemoError as errors:
        problem = f"the demo cannot run: {errors.exceptions[0]}"
    if not problem and not view.is_over:
        problem = f"the story did not come to its end within {LONGEST_S:g} s"
    if problem:
        fail(problem)
    return not problem


async def _listen(port: int, view: "PlantView", *, plain: bool) -> None:
    from dustcake.adapters.mqtt.connection import received

    measured_s = 0.0
    async for topic, payload in received("127.0.0.1", port, "dustcake/#"):
        line = view.take(topic, payload)
        if not plain:
            continue
        if topic.endswith("/measurement"):
            if time.monotonic() - measured_s < PLAIN_MEASUREMENT_S:
                continue
            measured_s = time.monotonic()
        print(line, flush=True)


async def _until_over(view: "PlantView", draw: Callable[[], None] = lambda: None) -> None:
    """Until the story is over and could be read, or it has taken too long."""
    over_s: float | None = None
    with suppress(TimeoutError):
        async with asyncio.timeout(LONGEST_S):
            while over_s is None or time.monotonic() - over_s < AFTERWARDS_S:
                draw()
                await asyncio.sleep(REDRAWN_S)
                if over_s is None and view.is_over:
                    over_s = time.monotonic()


async def _show(view: "PlantView") -> None:
    """The same with a screen."""
    from rich.live import Live

    from dustcake_loop.demo.screen import screen

    began_s = time.monotonic()
    with Live(screen=True, auto_refresh=False) as live:

        def draw() -> None:
            live.update(screen(view, time.monotonic() - began_s), refresh=True)

        await _until_over(view, draw)


class DemoError(Exception):
    """A part of the demo did not start or has ended; the message says which, and its last words."""


async def _end_of(directory: Path, name: str, process: asyncio.subprocess.Process) -> None:
    """Raise DemoError when a part has ended, which none should by itself."""
    await process.wait()
    said = (directory / f"{name}.log").read_text(errors="replace").splitlines()
    raise DemoError("\n  ".join([f"the {name} has ended; it said last:", *said[-5:]]))


@asynccontextmanager
async def everything(
    directory: Path, scenario: str, speed: float
) -> AsyncIterator[tuple[int, dict[str, asyncio.subprocess.Process]]]:
    """Start all parts, yield the broker's port and the processes, and end all in order again."""
    from iotcore import Broker

    async with AsyncExitStack() as stack:
        with socket.create_server(("127.0.0.1", 0)) as free:
            mqtt_port: int = free.getsockname()[1]
        filled: dict[str, object] = {"mqtt_port": mqtt_port, "directory": directory}
        # Starting and stopping it blocks for some tenths of a second.
        broker = Broker(config_path=str(_fill(directory, "broker.toml", filled)))
        await asyncio.to_thread(broker.start)
        stack.push_async_callback(asyncio.to_thread, broker.stop)
        options = f"{scenario} --port 0 --speed {speed:g} --seed 1 --log-json".split()
        simulator = await stack.enter_async_context(
            _process(directory, "simulator", "dustcake_sim", *options)
        )
        filled["modbus_port"] = await _port_of(simulator)
        settings = _fill(directory, "settings.toml", filled)
        daemon = await stack.enter_async_context(
            _process(directory, "daemon", "dustcake", "run", str(settings))
        )
        yield mqtt_port, {"simulator": simulator, "daemon": daemon}


def _fill(directory: Path, name: str, filled: dict[str, object]) -> Path:
    """Write one of our files into ``directory``, with what it leaves open filled in."""
    template = resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
    (directory / name).write_text(Template(template).substitute(filled), encoding="utf-8")
    return directory / name


@asynccontextmanager
async def _process(
    directory: Path, name: str, module: str, *arguments: str
) -> AsyncIterator[asyncio.subprocess.Process]:
    """A Python process whose log goes to a file of the demo; ended with SIGTERM."""
    with (directory / f"{name}.log").open("wb") as log_file:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            module,
            *arguments,
            stdout=asyncio.subprocess.PIPE,
            stderr=log_file,
            # A group of its own: Ctrl-C reaches the demo only, which then ends all in order.
            start_new_session=True,
        )
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
            try:
                async with asyncio.timeout(STOP_WITHIN_S):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()


async def _port_of(simulator: asyncio.subprocess.Process) -> int:
    assert simulator.stdout is not None
    with suppress(TimeoutError):
        async with asyncio.timeout(START_WITHIN_S):
            while line := await simulator.stdout.readline():
                said = json.loads(line)
                if "port" in said:
                    return int(said["port"])
    raise DemoError("the simulated collector did not start")
