"""Foreign servers: one in C, compiled here, and one in Python from another library."""

import asyncio
import os
import shutil
import subprocess
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

import pytest

from dustcake.adapters.modbus import Bus
from dustcake.core.inputs import Stamp
from dustcake.settings.buses import SerialBus, TcpBus
from foreign_modbus.python_server import served

HERE = Path(__file__).parent


class LoopClock:
    """The running loop's clock."""

    def now(self) -> Stamp:
        return Stamp(asyncio.get_running_loop().time(), None)

    async def sleep_until(self, mono_s: float) -> None:
        await asyncio.sleep(max(0.0, mono_s - self.now().mono_s))


def needed(what: str) -> None:
    """Skips where ``what`` is missing; fails in CI, where it must not be."""
    message = f"{what} is missing: install it to try our client against foreign servers"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def compiled(source: str, folder: Path) -> Path:
    """The program made of a C file beside this one."""
    for tool in ("cc", "pkg-config"):
        if not shutil.which(tool):
            needed(tool)
    flags = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"],
        capture_output=True,
        text=True,
        check=False,
    )
    if flags.returncode:
        needed("libmodbus with its headers")
    program = folder / source.removesuffix(".c")
    subprocess.run(
        ["cc", "-std=c11", "-D_POSIX_C_SOURCE=200809L", "-Wall", "-Wextra", "-Werror",
         str(HERE / source), "-o", str(program), *flags.stdout.split()],
        check=True,
    )  # fmt: skip
    return program


@pytest.fixture(scope="session")
def c_server(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compiled("server.c", tmp_path_factory.mktemp("foreign"))


@asynccontextmanager
async def c_tcp(program: Path) -> AsyncIterator[TcpBus]:
    server = await asyncio.create_subprocess_exec(program, "tcp", "1", stdout=PIPE)
    port = await _ready(server)
    yield TcpBus(kind="tcp", name="hall", host="127.0.0.1", port=port, timeout_s=2.0)
    await _stopped(server)


@asynccontextmanager
async def c_rtu(program: Path, folder: Path) -> AsyncIterator[SerialBus]:
    ours, theirs = folder / "ours", folder / "theirs"
    pair = await asyncio.create_subprocess_exec(
        "socat", "-d", "-d", f"pty,raw,echo=0,link={ours}", f"pty,raw,echo=0,link={theirs}",
        stderr=PIPE,
    )  # fmt: skip
    assert pair.stderr is not None
    while b"starting data transfer" not in (line := await pair.stderr.readline()):
        assert line, "socat ended"
    server = await asyncio.create_subprocess_exec(program, "rtu", "1", theirs, stdout=PIPE)
    await _ready(server)
    yield SerialBus(
        kind="rtu", name="hall", port=str(ours), baud=19200, parity="none", timeout_s=2.0
    )
    await _stopped(server)
    await _stopped(pair)


@asynccontextmanager
async def python_tcp() -> AsyncIterator[TcpBus]:
    with served() as port:
        yield TcpBus(kind="tcp", name="hall", host="127.0.0.1", port=port, timeout_s=2.0)


@pytest.fixture(params=["c_tcp", "c_rtu", "python_tcp"])
async def foreign_bus(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bus]:
    if request.param == "c_rtu" and not shutil.which("socat"):
        needed("socat")
    peers: dict[str, Callable[[], AbstractAsyncContextManager[TcpBus | SerialBus]]] = {
        "c_tcp": lambda: c_tcp(request.getfixturevalue("c_server")),
        "c_rtu": lambda: c_rtu(request.getfixturevalue("c_server"), tmp_path),
        "python_tcp": python_tcp,
    }
    async with peers[request.param]() as settings:
        bus = Bus(settings, LoopClock())
        yield bus
        await bus.aclose()


async def _ready(server: Process) -> int:
    assert server.stdout is not None
    word, port = (await server.stdout.readline()).split()
    assert word == b"ready"
    return int(port)


async def _stopped(process: Process) -> None:
    process.terminate()
    await process.wait()
    process._transport.close()  # type: ignore[attr-defined]  # or it warns of itself when collected
