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
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from dustcake.cli.common import DONE, FAILED, CommandError, between, fail
from dustcake.settings.extras import install_hint

if TYPE_CHECKING:
    from dustcake.cli.demo.screen import PlantView


NEXT = """
That was the daemon with a simulated collector. With real hardware: copy the file in config/ that is
nearest to your plant, put in your buses and addresses, then
  dustcake check FILE    says what it understood
  dustcake read FILE     shows what your transmitter says, and touches no output
  dustcake run FILE      runs it
Lock out and vent the header before any work, and have a licensed person connect it."""

LONGEST_S = 180.0
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
    from dustcake.cli.demo.screen import PlantView

    # However it is broken off, its processes have to be ended in order.
    this = asyncio.current_task()
    assert this is not None  # a coroutine that runs is in a task
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, this.cancel)
    view = PlantView()
    try:
        async with everything(directory, "worn_filters", speed) as parts:
            tasks = [
                asyncio.create_task(_wait(view) if plain else _show(view)),
                # These end only by a fault, which must not look like a silent plant.
                asyncio.create_task(_listen(parts.mqtt_port, view, plain=plain)),
                asyncio.create_task(parts.until_one_ends()),
            ]
            try:
                done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                done.pop().result()
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.wait(tasks)
    except DemoError as error:
        fail(f"the demo cannot run: {error}")
        return False
    if not _is_over(view):
        fail(f"the story did not come to its end within {LONGEST_S:g} s")
    return _is_over(view)


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


def _is_over(view: "PlantView") -> bool:
    return view.cleanings_that_worked > 0 and view.replacement_raised


async def _wait(view: "PlantView") -> None:
    """Until the story is over and could be read, or it has taken too long."""
    until_s = time.monotonic() + LONGEST_S
    over_s: float | None = None
    while time.monotonic() < until_s:
        if over_s is None and _is_over(view):
            over_s = time.monotonic()
        if over_s is not None and time.monotonic() - over_s > AFTERWARDS_S:
            return
        await asyncio.sleep(0.25)


async def _show(view: "PlantView") -> None:
    """The same with a screen."""
    from rich.live import Live

    from dustcake.cli.demo.screen import screen

    began_s = time.monotonic()
    waiting = asyncio.create_task(_wait(view))
    with Live(screen=True, auto_refresh=False) as live:
        while not waiting.done():
            live.update(screen(view, _chapter(view), time.monotonic() - began_s), refresh=True)
            await asyncio.wait([waiting], timeout=0.25)
    await waiting


def _chapter(view: "PlantView") -> str:
    """The chapter of the story just now."""
    if not view.state:
        return "Starting a broker, a simulated collector and the daemon."
    if view.replacement_raised:
        return "3. Worn: cleaning runs, dP stays high, the alarm asks for new filters."
    if view.cleanings_that_worked and view.state["phase"] == "cleaning":
        return "2. The media blinds: cleaning runs again, and helps less and less."
    if view.cleanings_that_worked:
        return "2. Cleaned: dP is down again. The media begins to blind."
    if view.state["phase"] == "cleaning":
        return "1. dP has reached the high set point: pulses knock the cake off."
    return "1. Dust cakes on the filters; dP rises towards the high set point."


START_WITHIN_S = 20.0
STOP_WITHIN_S = 5.0

# The embedded broker's own settings: MQTT 5, loopback only.
_BROKER = """\
id = 0
[router]
id = 0
max_connections = 20
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 10
[v5.1]
name = "demo"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 65536
max_inflight_count = 100
dynamic_filters = true
"""


class DemoError(Exception):
    """A part of the demo did not start or has ended; the message says which, and its last words."""


@dataclass
class Parts:
    """The parts while they run."""

    mqtt_port: int
    directory: Path
    processes: dict[str, asyncio.subprocess.Process]

    async def until_one_ends(self) -> None:
        """Raise DemoError as soon as a part has ended, which none should by itself."""
        ends = {asyncio.create_task(p.wait()): name for name, p in self.processes.items()}
        try:
            done, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for end in ends:
                end.cancel()
        name = ends[done.pop()]
        said = (self.directory / f"{name}.log").read_text(errors="replace").splitlines()
        raise DemoError("\n  ".join([f"the {name} has ended; it said last:", *said[-5:]]))


@asynccontextmanager
async def everything(directory: Path, scenario: str, speed: float) -> AsyncIterator[Parts]:
    """Start all parts, yield them, and end them in order again."""
    from iotcore import Broker

    async with AsyncExitStack() as stack:
        mqtt_port = _free_port()
        config = directory / "broker.toml"
        config.write_text(_BROKER.format(port=mqtt_port))
        # Starting and stopping it blocks for some tenths of a second.
        broker = Broker(config_path=str(config))
        await asyncio.to_thread(broker.start)
        stack.push_async_callback(asyncio.to_thread, broker.stop)
        simulator = await stack.enter_async_context(
            _process(
                directory,
                "simulator",
                "dustcake_sim",
                *f"{scenario} --port 0 --speed {speed:g} --seed 1 --log-json".split(),
            )
        )
        settings = directory / "settings.toml"
        template = resources.files("dustcake.cli.demo").joinpath("settings.toml").read_text()
        settings.write_text(
            template.replace("@MODBUS_PORT@", str(await _port_of(simulator)))
            .replace("@MQTT_PORT@", str(mqtt_port))
            .replace("@DIRECTORY@", str(directory))
        )
        daemon = await stack.enter_async_context(
            _process(directory, "daemon", "dustcake", "run", str(settings))
        )
        yield Parts(mqtt_port, directory, {"simulator": simulator, "daemon": daemon})


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


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
    try:
        async with asyncio.timeout(START_WITHIN_S):
            while line := await simulator.stdout.readline():
                said = json.loads(line)
                if "port" in said:
                    return int(said["port"])
    except TimeoutError:
        pass
    raise DemoError("the simulated collector did not start")
