"""Whatever becomes of the log, control goes on, and ends in order."""

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dustcake.cli.logs import MOST_WAITING, LineWriter
from recovery.pulsing import pulses_more, pulsing
from system_support import settings
from system_support.broker import PATIENCE_S
from system_support.device import device, scenario
from system_support.processes import DAEMON, Daemons

ON_TIME_S = 0.3
LATE_S = 0.5
ENDS_WITHIN_S = 2.0 + 1.0


@contextlib.contextmanager
def stalled() -> Iterator[int]:
    """A pipe that is full, and that nobody reads."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with contextlib.suppress(BlockingIOError):
        while os.write(writing, bytes(4096)):
            pass
    os.set_blocking(writing, True)
    yield writing
    os.close(reading)
    os.close(writing)


@contextlib.contextmanager
def broken() -> Iterator[int]:
    """A pipe whose reader is gone."""
    reading, writing = os.pipe()
    os.close(reading)
    yield writing
    os.close(writing)


@contextlib.contextmanager
def full() -> Iterator[int]:
    """A disk without any room."""
    descriptor = os.open("/dev/full", os.O_WRONLY)
    yield descriptor
    os.close(descriptor)


@pytest.mark.parametrize("log", [stalled, broken, full], ids=["stalled", "broken", "full"])
async def test_control_goes_on_and_ends_in_order(
    tmp_path: Path, daemons: Daemons, log: "type[contextlib.AbstractContextManager[int]]"
) -> None:
    async with device(scenario(0.1)) as plant:
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port),
            pulsing(**settings.valves_on_off(ON_TIME_S)),
        )
        with log() as descriptor:
            daemon = daemons.begin(file, log_to=descriptor)
            await pulses_more(plant, 2)
            # It logs that the device is gone, and that it is back.
            await plant.go()
            await daemon.quality_becomes("failure")
            await plant.come_back()
            await pulses_more(plant, 2)
            began_s = time.monotonic()
            assert await daemon.terminate() == 0
            assert time.monotonic() - began_s <= ENDS_WITHIN_S
        assert not plant.unit.energised


def file_of(pid: int, number: int) -> Path:
    return Path(f"/proc/{pid}/fd/{number}").readlink()


async def test_closed_streams_are_no_files_of_the_daemon(tmp_path: Path) -> None:
    """What is opened next would take the number of stderr, and the log go into it."""
    async with device(scenario(0.1)) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing())
        command = " ".join([*DAEMON, "run", str(file)])
        daemon = await asyncio.create_subprocess_shell(f"exec {command} <&- >&- 2>&-")
        try:
            await pulses_more(plant, 2)
            for number in range(3):
                assert file_of(daemon.pid, number) == Path("/dev/null")
        finally:
            daemon.terminate()
            await asyncio.wait_for(daemon.wait(), PATIENCE_S)
        assert daemon.returncode == 0


def test_lines_that_cannot_be_had_are_lost_and_counted() -> None:
    code = (
        "import sys, structlog\n"
        "from dustcake.cli.logs import log_to_stderr\n"
        "writer = log_to_stderr('json', 'info')\n"
        "for n in range(int(sys.argv[1])):\n"
        "    structlog.get_logger().info('line', n=n, padding='x' * 100)\n"
        "sys.stdout.write('done\\n')\n"
        "sys.stdout.flush()\n"
        "sys.stdin.readline()\n"
        "structlog.get_logger().info('the last')\n"
        "writer.drain(20)\n"
    )
    count = 3 * MOST_WAITING
    with subprocess.Popen(
        [sys.executable, "-c", code, str(count)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdin is not None
        assert process.stdout.readline() == b"done\n"
        # Read as far as to the first line that says how many were lost, and then to the end.
        lines: list[dict[str, Any]] = []
        while not lines or lines[-1]["event"] != "log lines lost":
            lines.append(json.loads(process.stderr.readline()))
        process.stdin.write(b"\n")
        process.stdin.flush()
        lines += map(json.loads, process.stderr.read().splitlines())
    written = [line["n"] for line in lines if line["event"] == "line"]
    lost = sum(line["count"] for line in lines if line["event"] == "log lines lost")
    assert lost > 0
    assert len(written) + lost == count
    assert written == sorted(written)
    assert lines[-1]["event"] == "the last"


def test_whoever_drains_is_not_kept_waiting_either() -> None:
    with stalled() as descriptor:
        writer = LineWriter(descriptor)
        writer.write("a line\n")
        began_s = time.monotonic()
        writer.drain(0.1)
        assert 0.1 <= time.monotonic() - began_s < 2.0
