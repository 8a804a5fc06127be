"""Keeping one connection to the broker up, and reporting when it is lost and why."""

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Protocol

import aiomqtt
import structlog

from dustcake.adapters.mqtt.connection import Connection, connect
from dustcake.adapters.mqtt.settings import LinkSettings
from dustcake.adapters.mqtt.trouble import Trouble, explain
from dustcake.core.record import record
from dustcake.publish.topics import Publication

GOODBYE_SHARE = 0.7  # of the time to leave; the rest is for DISCONNECT to go out

_log = structlog.get_logger(__name__)


@record
class LinkStatus:
    """``since_s``: on the event loop's clock. ``trouble``: None while connected, and before the
    first attempt has ended."""

    connected: bool
    since_s: float
    trouble: Trouble | None = None


class Session(Protocol):
    """What is done with a connection."""

    def will(self) -> Publication:
        """What the broker shall publish when this daemon vanishes. Called at each attempt."""
        ...

    def connect_sent(self) -> None:
        """The request to connect, with that will, is on its way."""
        ...

    async def run_session(self, connection: Connection) -> None:
        """Use the connection until it ends; raise ``aiomqtt.MqttError``, or a group of them."""
        ...

    def goodbye(self) -> Publication:
        """Last before the connection is closed, also after a fault: leaving in order makes the
        broker drop the will."""
        ...

    def disconnected(self) -> None:
        """The connection is over, or there was none to be had."""
        ...


class Reconnector:
    """Connects, runs the session, and connects again."""

    def __init__(
        self,
        settings: LinkSettings,
        session: Session,
        on_status: Callable[[LinkStatus], None] | None,
        uniform: Callable[[], float],
    ) -> None:
        self._settings = settings
        self._session = session
        self._on_status = on_status
        self._backoff = Backoff(settings.retry_first_s, settings.retry_cap_s, uniform)
        self.status = LinkStatus(connected=False, since_s=0.0)
        self._was_connected = False

    async def run(self) -> None:
        """Keep the connection up until cancelled. Expected failures are logged, never raised."""
        clock = asyncio.get_running_loop().time
        while True:
            fault = await self._fault_of(asyncio.create_task(self._one_connection()))
            held_s = clock() - self.status.since_s if self.status.connected else 0.0
            self._session.disconnected()
            self._note_loss(explain(fault, self._settings))
            await asyncio.sleep(self._backoff.after(held_s))

    async def _fault_of(self, connection: asyncio.Task[None]) -> aiomqtt.MqttError:
        # In a task of its own: a task group that fails just when it is cancelled reports only
        # the failure (and before Python 3.13 may leave its task marked as cancelled), so here
        # a request to stop could be missed.
        try:
            await asyncio.wait({connection})
        except asyncio.CancelledError:
            connection.cancel()
            await asyncio.wait({connection})
            if not connection.cancelled():
                connection.exception()  # a fault just now; asyncio would log it with its traceback
            raise
        fault = connection.exception()
        if isinstance(fault, aiomqtt.MqttError):
            return fault
        await connection
        raise AssertionError("a connection ends only by a fault")

    async def _one_connection(self) -> None:
        session, leave_s = self._session, self._settings.leave_s
        async with connect(
            self._settings, session.will(), session.connect_sent, (1.0 - GOODBYE_SHARE) * leave_s
        ) as connection:
            try:
                fault = await self._fault_in(session.run_session(connection))
            finally:
                with suppress(aiomqtt.MqttError, TimeoutError):
                    async with asyncio.timeout(GOODBYE_SHARE * leave_s):
                        await connection.deliver(session.goodbye())
            raise fault

    async def _fault_in(self, session: Awaitable[None]) -> Exception:
        try:
            await session
        except ExceptionGroup as faults:
            return _only_link_fault(faults)
        raise AssertionError("a session ends only by a fault")

    def note_connection(self) -> None:
        """Everything a connection needs is in place."""
        now_s = asyncio.get_running_loop().time()
        broker = f"{self._settings.host}:{self._settings.port}"
        words = {"broker": broker, "settings": self._settings.table}
        if self._was_connected:
            _log.info("broker back", away_s=round(now_s - self.status.since_s, 1), **words)
        else:
            _log.info("broker connected", version=str(self._settings.version), **words)
        if self._settings.tls is not None and not self._settings.tls.verify:
            _log.warning(
                "broker not verified", remedy=f"set {self._settings.table}.tls.verify to true"
            )
        self._was_connected = True
        self._set_status(LinkStatus(connected=True, since_s=now_s))

    def _note_loss(self, trouble: Trouble) -> None:
        now_s = asyncio.get_running_loop().time()
        before = self.status
        words = {
            "cause": trouble.cause,
            "remedy": trouble.remedy,
            "settings": self._settings.table,
        }
        if before.connected:
            _log.warning("broker lost", connected_s=round(now_s - before.since_s, 1), **words)
            self._set_status(LinkStatus(connected=False, since_s=now_s, trouble=trouble))
        elif before.trouble != trouble:
            _log.warning("broker not reached", **words)
            since_s = now_s if before.trouble is None else before.since_s
            self._set_status(LinkStatus(connected=False, since_s=since_s, trouble=trouble))

    def _set_status(self, status: LinkStatus) -> None:
        self.status = status
        if self._on_status is not None:
            self._on_status(status)


def _only_link_fault(faults: ExceptionGroup[Exception]) -> Exception:
    """The link fault in ``faults``, or ``faults`` itself if there is anything else in it."""
    expected, bugs = faults.split(aiomqtt.MqttError)
    if bugs is not None or expected is None:
        return faults
    first: Exception = expected
    while isinstance(first, ExceptionGroup):
        first = first.exceptions[0]
    return first


class Backoff:
    """Exponential, with jitter, so that many daemons do not come back in step.

    ``first_s`` is doubled at each failure up to ``cap_s``; the wait is drawn between half of that
    and all of it. ``random`` gives numbers in [0, 1).
    """

    def __init__(self, first_s: float, cap_s: float, random: Callable[[], float]) -> None:
        self._first_s = first_s
        self._cap_s = cap_s
        self._random = random
        self._next_s = first_s

    def after(self, held_s: float) -> float:
        """Seconds to wait after a connection that held for ``held_s`` (0: none was made).

        Only one that held longer than the cap starts the series afresh: a broker that accepts
        the connection and then throws it out must not be hammered.
        """
        if held_s > self._cap_s:
            self._next_s = self._first_s
        wait_s = self._next_s * (0.5 + 0.5 * self._random())
        self._next_s = min(2.0 * self._next_s, self._cap_s)
        return wait_s
