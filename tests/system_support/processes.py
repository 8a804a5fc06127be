"""Dustcake's programs as processes, as a user starts them."""

import asyncio
import contextlib
import io
import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
import structlog

from dustcake.__main__ import main
from system_support.broker import PATIENCE_S, program, until

DAEMON = [sys.executable, "-m", "dustcake"]
SIMULATOR = [sys.executable, "-m", "dustcake_sim"]


@dataclass
class Done:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[dict[str, Any]]:
        """Its output as JSON, one object a line."""
        return [json.loads(line) for line in self.out.splitlines()]


_ONE_COMMAND = threading.Lock()


async def dustcake(*arguments: object, input_text: str = "") -> Done:
    """Run one command to its end, in a thread of this process, which costs a tenth of a process of
    its own. An exception fails the test whatever it expects."""
    return await asyncio.to_thread(_run, [str(argument) for argument in arguments], input_text)


def _run(arguments: list[str], input_text: str) -> Done:
    out, err = io.StringIO(), io.StringIO()
    logs = structlog.get_config()
    with (
        _ONE_COMMAND,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        mock.patch("sys.stdin", io.StringIO(input_text)),
    ):
        try:
            code: int | str | None = main(arguments)
        except SystemExit as ended:
            code = ended.code
        finally:
            structlog.configure(**logs)
    assert isinstance(code, int)
    return Done(code, out.getvalue(), err.getvalue())


async def dustcake_as_process(*arguments: object) -> Done:
    """The same as a user starts it; a traceback fails the test whatever it expects."""
    process = await asyncio.create_subprocess_exec(
        *DAEMON,
        *(str(argument) for argument in arguments),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    out, err = await process.communicate()
    assert process.returncode is not None
    done = Done(process.returncode, out.decode(), err.decode())
    assert "Traceback" not in done.out + done.err, done.err
    return done


class Daemon:
    """`dustcake run` on a settings file, logging JSON into a file beside it."""

    _count = 0

    def __init__(self, settings: Path, *options: str, log_to: int | None = None) -> None:
        """``log_to``: a descriptor to log to instead; it then cannot be read here."""
        Daemon._count += 1
        self.settings = settings
        self._log_path = settings.parent / f"daemon-{Daemon._count}.log"
        with self._log_path.open("wb") as log_file:
            self.process = subprocess.Popen(
                [*DAEMON, "run", str(settings), "--log-format", "json", *options],
                stdout=log_file,
                stderr=log_file if log_to is None else log_to,
                env={**os.environ, "PYTHONFAULTHANDLER": "1"},
            )

    @property
    def log(self) -> str:
        """Everything it has written, to stdout or stderr."""
        return self._log_path.read_text(encoding="utf-8")

    @property
    def log_lines(self) -> list[dict[str, Any]]:
        """The log as JSON. What is told to a person is no JSON, nor is a line not yet finished."""
        lines = self.log.splitlines(keepends=True)
        return [json.loads(line) for line in lines if line[0] == "{" and line[-1] == "\n"]

    def logged(self, event: str) -> list[dict[str, Any]]:
        """The log's entries of this name."""
        return [line for line in self.log_lines if line.get("event") == event]

    async def running(self) -> None:
        """Return when it says so; that it ends instead fails the test."""
        await until(self._says_running, "the daemon to run")

    def _says_running(self) -> bool:
        assert self.process.poll() is None, f"the daemon has ended:\n{self.log}"
        return bool(self.logged("running"))

    async def ended(self, within_s: float = PATIENCE_S) -> int:
        """Its exit code, when it has ended by itself or by a signal."""
        try:
            await until(lambda: self.process.poll() is not None, "the daemon to end", within_s)
        except pytest.fail.Exception:
            self.process.send_signal(signal.SIGABRT)  # it then says what its threads were at
            self.process.wait(PATIENCE_S)
            print(self.log)
            raise
        code: int = self.process.returncode
        return code

    async def terminate(self, within_s: float = PATIENCE_S) -> int:
        """SIGTERM; its exit code."""
        self.process.send_signal(signal.SIGTERM)
        return await self.ended(within_s)

    def kill(self) -> None:
        """As a power cut does."""
        self.process.kill()
        self.process.wait(PATIENCE_S)

    async def request(self, *arguments: str) -> Done:
        """`dustcake request` of this daemon."""
        return await dustcake("request", "--settings", self.settings, *arguments)

    async def status(self, collector: str = "hall-1") -> dict[str, Any]:
        """`dustcake status --json`, of one collector."""
        done = await dustcake("status", "--settings", self.settings, "--json")
        assert done.code == 0, done.err
        return {line["collector"]: line for line in done.lines}[collector]

    async def status_when(
        self,
        condition: Callable[[dict[str, Any]], bool],
        what: str,
        collector: str = "hall-1",
    ) -> dict[str, Any]:
        """The first status of which ``condition`` holds; that none comes fails the test."""
        try:
            async with asyncio.timeout(PATIENCE_S):
                while not condition(status := await self.status(collector)):  # noqa: ASYNC110
                    await asyncio.sleep(0.05)  # a daemon outside tells no event
        except TimeoutError:
            pytest.fail(f"waited {PATIENCE_S:g} s in vain for: {what}")
        return status

    async def quality_becomes(self, quality: str, collector: str = "hall-1") -> dict[str, Any]:
        """The first status with a reading of this quality."""
        return await self.status_when(lambda s: s["quality"] == quality, quality, collector)

    async def alarm_comes(self, alarm: str, collector: str = "hall-1") -> dict[str, Any]:
        """The first status with this alarm in it."""
        return await self.status_when(lambda s: alarm in s["alarms"], alarm, collector)


class Daemons:
    """Every daemon a test starts; none outlives it, and none may have shown a traceback."""

    def __init__(self) -> None:
        self._all: list[Daemon] = []

    def begin(self, settings: Path, *options: str, log_to: int | None = None) -> Daemon:
        """Start one, without waiting for anything."""
        one = Daemon(settings, *options, log_to=log_to)
        self._all.append(one)
        return one

    async def start(self, settings: Path, *options: str) -> Daemon:
        """Start one, and return when it runs."""
        one = self.begin(settings, *options)
        await one.running()
        return one

    def end_all(self) -> None:
        """Kill what still runs, and look at what each has left."""
        for one in self._all:
            if one.process.poll() is None:
                one.kill()
        for one in self._all:
            assert "Traceback" not in one.log, one.log


class Simulator:
    """`python -m dustcake_sim`, asked with mbpoll."""

    def __init__(self, *options: object) -> None:
        self.process = subprocess.Popen(
            [*SIMULATOR, *(str(option) for option in options), "--port", "0", "--log-json"],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.port = int(json.loads(self.process.stdout.readline())["port"])

    def poll(self, table: str, address: int, count: int = 1) -> list[int]:
        """Values read by mbpoll; ``table`` is its data type, such as ``3`` for input registers."""
        said = self._mbpoll("-t", table, "-r", str(address), "-c", str(count), "127.0.0.1")
        return [int(value) for value in re.findall(r"^\[\d+\]:\s+(-?\d+)", said, re.MULTILINE)]

    def write_holding(self, address: int, value: int) -> None:
        """Set a holding register by mbpoll."""
        self._mbpoll("-t", "4", "-r", str(address), "127.0.0.1", str(value))

    def _mbpoll(self, *arguments: str) -> str:
        command = [program("mbpoll"), "-1", "-0", "-q", "-m", "tcp", "-p", str(self.port)]
        return subprocess.run(
            [*command, "-a", "1", *arguments],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=True,
        ).stdout

    @property
    def pulses(self) -> list[int]:
        """How often each of the four valves has been energised."""
        return self.poll("3", 40, 4)

    @property
    def two_at_once(self) -> int:
        """How often a valve was energised while another was."""
        return self.poll("3", 32)[0]

    @property
    def longest_on_s(self) -> float:
        """Longest time a valve was energised, in seconds."""
        return self.poll("3", 33)[0] / 1000.0

    def end(self) -> int:
        """SIGTERM; its exit code."""
        self.process.terminate()
        code = self.process.wait(PATIENCE_S)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


@contextlib.asynccontextmanager
async def simulator(*options: object) -> AsyncIterator[Simulator]:
    """One that is ended again."""
    one = Simulator(*options)
    try:
        yield one
    finally:
        assert one.end() == 0


@contextlib.asynccontextmanager
async def serial_pair(directory: Path) -> AsyncIterator[tuple[Path, Path]]:
    """Two pseudo-terminals that are one line."""
    ends = directory / "line-a", directory / "line-b"
    pair = await asyncio.create_subprocess_exec(
        program("socat"), *(f"pty,raw,echo=0,link={end}" for end in ends)
    )
    try:
        await until(lambda: all(end.exists() for end in ends), "the pair of pseudo-terminals")
        yield ends
    finally:
        pair.terminate()
        await pair.wait()


def descendants(pid: int) -> list[int]:
    """Process ids of everything below ``pid`` that is alive."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            found += [int(child), *descendants(int(child))]
    return found


def alive(pids: Sequence[int]) -> list[int]:
    """Those that still run; one that has ended and waits to be collected does not."""
    running = []
    for pid in pids:
        with contextlib.suppress(OSError):
            os.kill(pid, 0)
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
            if state != "Z":
                running.append(pid)
    return running


def end_tree(process: subprocess.Popen[bytes]) -> None:
    """Kill a process and everything below it, where a test has not ended it in order."""
    if process.poll() is None:
        below = descendants(process.pid)
        process.kill()
        process.wait(PATIENCE_S)
        for pid in alive(below):
            os.kill(pid, signal.SIGKILL)
