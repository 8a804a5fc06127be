"""`dustcake status --watch`, on a terminal as a person on ssh has it."""

import asyncio
import contextlib
import fcntl
import os
import pty
import re
import signal
import struct
import subprocess
import termios
from collections.abc import Iterator
from pathlib import Path

from system_support import settings
from system_support.broker import PATIENCE_S
from system_support.device import device, scenario
from system_support.processes import DAEMON, Daemons

CLEAN = scenario(0.1)
COLUMNS = 60
DRAWN = "\x1b[H"


class Terminal:
    """A terminal of 24 lines, what is shown on it, and the process that writes to it."""

    def __init__(self, *arguments: object) -> None:
        self._side, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
        self.process = subprocess.Popen(
            [*DAEMON, *map(str, arguments)],
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
        )
        os.close(other)
        os.set_blocking(self._side, False)
        self.all = ""

    async def shows(self, pattern: str) -> str:
        """The first whole screen on which ``pattern`` is found."""
        begin = len(self.all)
        async with asyncio.timeout(PATIENCE_S):
            while True:
                for screen in self.all[begin:].split(DRAWN)[1:-1]:
                    if re.search(pattern, screen):
                        return screen
                await self._more()

    async def _more(self) -> None:
        ready = asyncio.Event()
        loop = asyncio.get_running_loop()
        loop.add_reader(self._side, ready.set)
        try:
            await ready.wait()
            self.all += os.read(self._side, 65_536).decode()
        finally:
            loop.remove_reader(self._side)

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._side)


@contextlib.contextmanager
def terminal(*arguments: object) -> Iterator[Terminal]:
    one = Terminal(*arguments)
    try:
        yield one
    finally:
        one.close()


async def test_it_stays_up_to_date_and_says_when_nobody_answers(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), settings.collector())
        daemon = await daemons.start(file)
        with terminal("status", "--settings", file, "--watch", "0.2") as screen:
            shown = await screen.shows("mode on demand")
            lines = re.sub(r"\x1b\[[KJ]", "", shown).split("\r\n")
            assert max(map(len, lines)) <= COLUMNS
            assert len(lines) <= 24

            assert (await daemon.request("mode", "off")).code == 0
            await screen.shows("mode off")

            daemon.kill()
            old = await screen.shows("NO ANSWER FOR")
            assert "mode off" in old, "the last answer stays, marked as old"

            await daemons.start(file)
            assert "NO ANSWER" not in await screen.shows("Ctrl-C ends this")

            screen.process.send_signal(signal.SIGINT)
            assert await asyncio.to_thread(screen.process.wait, PATIENCE_S) == 0
            # What it wrote last may come in pieces; once all has been read there is an error.
            with contextlib.suppress(OSError):
                while not screen.all.endswith("\x1b[?25h\x1b[?1049l"):
                    await asyncio.wait_for(screen._more(), PATIENCE_S)
            assert screen.all.endswith("\x1b[?25h\x1b[?1049l"), "the terminal is as it was"
