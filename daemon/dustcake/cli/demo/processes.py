"""The demo's parts, each a process of its own: broker, simulated collector, daemon."""

import asyncio
import json
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

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
                scenario,
                "--port",
                "0",
                "--speed",
                f"{speed:g}",
                "--seed",
                "1",
                "--log-json",
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
