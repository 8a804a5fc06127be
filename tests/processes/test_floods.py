"""Whoever floods a face of the daemon delays no command to an output, by the device's own word:
on/off outputs, whose pulses the daemon ends, and so every stall of its loop makes one longer."""

import asyncio
import contextlib
import sys
import time
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from dustcake.adapters.local_client import ask
from processes.campaign import Simulated
from processes.flood import FLOODS, LASTS_S
from processes.valves import Pulse, pulses
from recovery.pulsing import INTERVAL_S, pulsing
from system_support import settings
from system_support.broker import Broker, free_port, make_certificates, running, until
from system_support.processes import Daemon, Daemons
from system_support.processor import ProcessorWaits
from system_support.settings import Table

pytestmark = pytest.mark.broker

ON_TIME_S = 0.3
LATE_S = 0.5
"""How late a command may be at an output. Undisturbed it is 0.02 s or less."""
ENDS_WITHIN_S = 2.0 + 1.0
"""What is promised, and the slack of a busy test machine."""
ANSWERED_WITHIN_S = 8.0
MOST_FILES = 256
MOST_MEMORY_MB = 160
MOST_WARNINGS = 3
"""In the log: one for each thing a flood can bring about."""


@dataclass
class Flooded:
    """A daemon with all its faces, and where each is."""

    daemon: Daemon
    simulated: Simulated
    where: dict[str, str]

    @property
    def files(self) -> int:
        """How many it has open."""
        return len(list(Path(f"/proc/{self.daemon.process.pid}/fd").iterdir()))

    @property
    def peak_memory_mb(self) -> float:
        """The most it has had since it started."""
        status = Path(f"/proc/{self.daemon.process.pid}/status").read_text()
        line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024

    @property
    def waits(self) -> ProcessorWaits:
        """Of the two that a command passes through."""
        assert self.simulated.process is not None
        return ProcessorWaits((self.daemon.process.pid, self.simulated.process.pid))

    @property
    def pulses(self) -> list[Pulse]:
        """Those the device has seen so far."""
        return pulses(self.simulated.valve_log, self.simulated.deaths_s)


def _tables(directory: Path, broker: Broker, kind: str) -> tuple[dict[str, Table], dict[str, str]]:
    ports = {name: free_port() for name in ("plc", "panel", "metrics")}
    panel: Table = {"port": ports["panel"]}
    if kind == "handshakes":
        own = make_certificates(directory / "certificates")
        panel["tls"] = {"cert_file": str(own.broker_cert), "key_file": str(own.broker_key)}
    by_mqtt = {"requests_enabled": True, "requests_adjust": True, "version": "3.1.1"}
    sparkplug = {
        "host": "127.0.0.1",
        "port": broker.port,
        "version": "3.1.1",
        "group": "plant",
        "node": "edge",
        "commands_enabled": True,
        "commands_adjust": True,
    }
    tables = {
        "plc": {"port": ports["plc"]},
        "panel": panel,
        "metrics": {"port": ports["metrics"]},
        "mqtt": settings.mqtt(broker.port, **by_mqtt),
        "sparkplug": sparkplug,
    }
    where = {
        **{name: str(port) for name, port in ports.items()},
        "handshakes": str(ports["panel"]),
        "local": str(directory / "control.sock"),
        "mqtt": str(broker.port),
        "sparkplug": str(broker.port),
    }
    return tables, where


@contextlib.asynccontextmanager
async def flooded(directory: Path, daemons: Daemons, kind: str) -> AsyncIterator[Flooded]:
    """A daemon that pulses all the time, not flooded yet."""
    simulated = Simulated(directory)
    async with running(Broker(directory / "broker", extra=("log_type error",))) as broker:
        simulated.start()
        tables, where = _tables(directory, broker, kind)
        bus = settings.tcp_bus(simulated.port)
        collector = pulsing(**settings.valves_on_off(ON_TIME_S))
        file = settings.write(directory, bus, collector, **tables)
        await until(simulated.valve_log.exists, "the device")
        daemon = await daemons.start(file)
        one = Flooded(daemon, simulated, where)
        await until(lambda: len(daemon.logged("broker connected")) == 2, "the broker")
        await until(lambda: len(daemon.logged("panel served")) == 1, "the panel")
        await until(lambda: len(one.pulses) >= 2, "two pulses")
        try:
            yield one
        finally:
            assert simulated.end() == 0


async def begun(kind: str, where: str) -> asyncio.subprocess.Process:
    flood = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "processes.flood", kind, where),
        cwd=Path(__file__).parents[1],
        stdout=asyncio.subprocess.PIPE,
    )
    assert flood.stdout is not None
    assert await flood.stdout.readline() == b"flooding\n"
    return flood


async def ended(flood: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        flood.kill()
    await flood.wait()


def longest_s(times_s: Iterable[tuple[float, float]], waits: ProcessorWaits) -> float:
    """The longest of these times from one to another, without what daemon and device have waited
    for a processor meanwhile."""
    return max((b - a - waits.between_s(a, b) for a, b in times_s), default=0.0)


@pytest.mark.parametrize("kind", [each.__name__ for each in FLOODS])
async def test_no_command_is_late(tmp_path: Path, daemons: Daemons, kind: str) -> None:
    async with flooded(tmp_path, daemons, kind) as one:
        flood = await begun(kind, one.where[kind])
        files, answers_s = 0, list[tuple[float, float]]()
        async with one.waits.recording() as waits:
            began_s = time.monotonic()
            while time.monotonic() < began_s + LASTS_S - ENDS_WITHIN_S:
                files = max(files, one.files)
                begun_s = time.monotonic()
                socket = tmp_path / "control.sock"
                assert b"hall-1" in await asyncio.to_thread(ask, socket, b'{"status": true}', 30)
                answers_s.append((begun_s, time.monotonic()))
                await asyncio.sleep(0.2)
            end_s = time.monotonic()
            one.daemon.process.terminate()
            memory_mb = one.peak_memory_mb
            assert await one.daemon.ended(60) == 0
            ended_s = time.monotonic()
        found = [pulse for pulse in one.pulses if pulse.off_s > began_s]
        # A pulse that has not ended counts as well.
        on_s = longest_s(((each.on_s, min(each.off_s, ended_s)) for each in found), waits)
        apart_s = longest_s(pairwise([began_s, *(each.on_s for each in found), end_s]), waits)
        warnings = [line for line in one.daemon.log_lines if line.get("level") != "info"]
        print(
            f"{kind}: on for {on_s:.2f} s at most, {apart_s:.2f} s apart, status in "
            f"{longest_s(answers_s, waits):.2f} s, ended in {ended_s - end_s:.2f} s, "
            f"{files} files, {memory_mb:.0f} MB, {len(warnings)} warnings, "
            f"{waits.between_s(began_s, ended_s):.2f} s of waiting for a processor"
        )
        await ended(flood)
        assert on_s <= ON_TIME_S + LATE_S
        assert apart_s <= INTERVAL_S + LATE_S
        assert longest_s(answers_s, waits) <= 10.0
        assert longest_s([(end_s, ended_s)], waits) <= ENDS_WITHIN_S
        assert files <= MOST_FILES
        assert memory_mb <= MOST_MEMORY_MB
        assert len(warnings) <= MOST_WARNINGS, warnings


READ = bytes.fromhex("0001 0000 0006 01 04 0000 0001")
GET = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
CALLS = {"plc": READ, "panel": GET, "metrics": GET, "local": b'{"status": true}\n'}


async def answered(where: str, call: bytes) -> None:
    """Return when somebody who calls again and again has had an answer."""
    while True:
        with contextlib.suppress(OSError):
            if where.isdigit():
                reader, writer = await asyncio.open_connection("127.0.0.1", int(where))
            else:
                reader, writer = await asyncio.open_unix_connection(where)
            writer.write(call)
            answer = await reader.read(9)
            writer.close()
            if answer:
                return
        await asyncio.sleep(0.05)


@pytest.mark.parametrize("face", list(CALLS))
async def test_those_who_say_nothing_keep_nobody_away(
    tmp_path: Path, daemons: Daemons, face: str
) -> None:
    async with flooded(tmp_path, daemons, face) as one:
        flood = await begun("idle", one.where[face])
        for _ in range(2):
            began_s = time.monotonic()
            async with asyncio.timeout(3 * ANSWERED_WITHIN_S):
                await answered(one.where[face], CALLS[face])
            took_s = time.monotonic() - began_s
            print(f"{face}: answered in {took_s:.2f} s")
            assert took_s <= ANSWERED_WITHIN_S
        await ended(flood)
        warnings = [line for line in one.daemon.log_lines if line.get("level") != "info"]
        assert len(warnings) <= 1, warnings
