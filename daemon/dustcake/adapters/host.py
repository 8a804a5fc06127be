"""The computer the daemon runs on: its clocks, and its service manager, which is notified by
sd_notify(3) over a datagram socket."""

import asyncio
import socket
import time
from collections.abc import Mapping

import structlog

from dustcake.core.inputs import Stamp

# A computer without a battery-backed clock starts in 1970, or where it last was; before this
# date the clock is known to be wrong: dustcake did not exist.
EARLIEST_UTC_S = 1_735_689_600.0  # 2025-01-01T00:00:00Z


class SystemClock:
    """Both clocks of this computer, and waiting on the monotonic one."""

    def now(self) -> Stamp:
        """The present instant; ``utc_s`` is None while the clock is not set."""
        utc_s = time.time()
        return Stamp(time.monotonic(), utc_s if utc_s >= EARLIEST_UTC_S else None)

    async def sleep_until(self, mono_s: float) -> None:
        """Return at or just after ``mono_s``; at once if it has passed."""
        # A loop, for the event loop may wake a timer early by its clock's resolution.
        while (left_s := mono_s - time.monotonic()) > 0:  # noqa: ASYNC110
            await asyncio.sleep(left_s)


FEEDS_A_TIMEOUT = 3
"""How many times it should be fed within the watchdog's time."""

_log = structlog.get_logger(__name__)


class ServiceManager:
    """The service manager that started this daemon; silent where none did.

    ``environment``: where ``NOTIFY_SOCKET`` is looked up, a path or, after ``@``, an abstract
    name, and ``WATCHDOG_USEC``. A manager that cannot be reached is logged once and never an error.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._allowed_us = environment.get("WATCHDOG_USEC", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        self._complained = False
        if address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    def ready(self) -> None:
        """The daemon has made its first decisions."""
        self._send("READY=1")

    def status(self, line: str) -> None:
        """One line, as the service manager shows it."""
        self._send("STATUS=" + " ".join(line.split()))

    def expect_every(self, period_s: float) -> None:
        """Announce how often it is fed. A watchdog of less than three times that is put back."""
        try:
            allowed_s = int(self._allowed_us) / 1e6
        except ValueError:
            return
        if allowed_s < FEEDS_A_TIMEOUT * period_s:
            self._send(f"WATCHDOG_USEC={round(FEEDS_A_TIMEOUT * period_s * 1e6)}")

    def fed(self) -> None:
        """A step has been completed and committed."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """The daemon is on its way out."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """Nothing more will be sent."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, line: str) -> None:
        if self._socket is None:
            return
        try:
            self._socket.sendto(line.encode(), self._address)
        except OSError as error:
            if not self._complained:
                self._complained = True
                _log.warning("service manager not reached", cause=str(error))
