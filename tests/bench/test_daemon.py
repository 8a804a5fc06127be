"""The whole daemon against a bare pymodbus loop: processor, memory, time to the first decision."""

import asyncio
import os
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bench.conftest import Add
from bench.process_figures import cpu_s, resident_mib
from system_support.broker import Broker, running

HERE = Path(__file__).parent
POLL_S = 0.1
MEASURED_S = 10.0
# structlog takes rich along where it finds it, as beside these tests; a Pi has none.
WITHOUT_RICH = "import sys; sys.modules['rich'] = None; "
AS_INSTALLED = f"{WITHOUT_RICH}from dustcake.__main__ import main; sys.exit(main())"
LIBRARIES = f"{WITHOUT_RICH}import asyncio, sqlite3, structlog, pydantic, pymodbus.client, aiomqtt"
MOST_START_RATIO = 8.0
SETTINGS = """
[[bus]]
name = "device"
kind = "tcp"
host = "127.0.0.1"
port = {modbus}
[[collector]]
name = "bench"
poll_s = {poll_s}
[collector.transmitter]
bus = "device"
register = 2
kind = "float32"
span = ["0 Pa", "2500 Pa"]
[collector.outputs]
kind = "valves_one_shot"
bus = "device"
coils = [16, 17, 18, 19]
[mqtt]
host = "127.0.0.1"
port = {mqtt}
measurement_every_s = 1.0
[journal]
path = "{directory}/journal.db"
[control]
socket = "{directory}/control.sock"
"""


@pytest.fixture
def modbus_port() -> Iterator[int]:
    with subprocess.Popen(
        [sys.executable, "-m", "bench.device"], cwd=HERE.parent, stdout=subprocess.PIPE, text=True
    ) as device:
        assert device.stdout is not None
        yield int(device.stdout.readline())
        device.kill()


@contextmanager
def daemon(directory: Path, modbus: int, mqtt: int) -> Iterator[tuple[int, float]]:
    """Run it; yields its process id and how long it took to be ready."""
    settings = directory / "settings.toml"
    settings.write_text(
        SETTINGS.format(modbus=modbus, mqtt=mqtt, directory=directory, poll_s=POLL_S)
    )
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.bind(str(directory / "notify"))
        notify.settimeout(20.0)
        began_s = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-c", AS_INSTALLED, "run", settings, "--log-level", "warning"],
            env={**os.environ, "NOTIFY_SOCKET": str(directory / "notify")},
        )
        while b"READY=1" not in notify.recv(4096):
            pass
        ready_s = time.perf_counter() - began_s
        try:
            yield process.pid, ready_s
        finally:
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 0


def raw_cpu_us(modbus: int, every_s: float, duration_s: float) -> float:
    command = [
        sys.executable,
        str(HERE / "raw_poll.py"),
        str(modbus),
        str(every_s),
        str(duration_s),
    ]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


async def test_a_poll_through_the_whole_daemon(tmp_path: Path, modbus_port: int, row: Add) -> None:
    async with running(Broker(tmp_path / "broker")) as broker:
        with daemon(tmp_path, modbus_port, broker.port) as (pid, _):
            await asyncio.sleep(2.0)  # past the start: what is measured is the steady state
            before_s = cpu_s(pid)
            await asyncio.sleep(MEASURED_S)
            daemon_us = (cpu_s(pid) - before_s) / (MEASURED_S / POLL_S) * 1e6
            memory_mib = resident_mib(pid)
    paced_us = raw_cpu_us(modbus_port, POLL_S, MEASURED_S)
    tight_us = raw_cpu_us(modbus_port, 0.0, 2.0)
    row("CPU of a poll through the daemon, 10 a second", f"{daemon_us:.0f} us", "")
    row(
        "the same against a raw pymodbus read, 10 a second",
        f"{daemon_us / paced_us:.2f}",
        f"raw {paced_us:.0f} us",
    )
    row(
        "the same against a raw pymodbus read, as fast as it goes",
        f"{daemon_us / tight_us:.2f}",
        f"raw {tight_us:.0f} us",
    )
    row("memory of the daemon, one collector, with broker", f"{memory_mib:.1f} MiB", "at most 60")
    assert memory_mib <= 60.0


def test_time_to_the_first_decision(tmp_path: Path, modbus_port: int, row: Add) -> None:
    taken_s, floors_s = [], []
    for turn in range(5):
        directory = tmp_path / str(turn)
        directory.mkdir()
        with daemon(directory, modbus_port, 1) as (_, ready_s):
            taken_s.append(ready_s)
        shutil.rmtree(directory)
        began_s = time.perf_counter()
        subprocess.run([sys.executable, "-c", LIBRARIES], check=True)
        floors_s.append(time.perf_counter() - began_s)
    median_s, floor_s = statistics.median(taken_s), statistics.median(floors_s)
    row("start of the process to the first decision", f"{median_s:.2f} s", "wanted: 1")
    row(
        "the same against a start of Python that only imports the libraries",
        f"{median_s / floor_s:.2f}",
        f"at most {MOST_START_RATIO:g}; they {floor_s:.2f} s",
    )
    assert median_s / floor_s <= MOST_START_RATIO
