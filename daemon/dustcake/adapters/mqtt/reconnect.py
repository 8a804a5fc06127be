"""Keeping one connection to the broker up, and reporting when it is lost and why."""

import asyncio
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress

import aiomqtt
import structlog

from dustcake.adapters.mqtt.connection import Connection, connect
from dustcake.adapters.mqtt.trouble import LinkSettings, Trouble, explain
from dustcake.core.record import record
from dustcake.publish.topics import Publication

GOODBYE_SHARE = 0.7  # of the time to leave; the rest is for DISCONNECT to go out

_log = structlog.get_logger(__name__)


@record
class LinkStatus:
    """Whether there is a connection. ``since_s``: on the event loop's clock. ``trouble``: None
    while connected, and before the first attempt has ended."""

    connected: bool
    since_s: float
    trouble: Trouble | None = None


class Link(ABC):
    """Connects, uses the connection, and connects again.

    Between two attempts it waits: twice as long after each, up to ``settings.retry_cap_s``, and
    from half of that to all of it, as ``uniform`` draws in [0, 1), so that many daemons do not come
    back in step.
    """

    def __init__(self, settings: LinkSettings, uniform: Callable[[], float]) -> None:
        self._settings = settings
        self._uniform = uniform
        self.status = LinkStatus(connected=False, since_s=0.0)
        """Whether the broker is there, since when, and if not why."""
        self._was_connected = False

    @abstractmethod
    def _will(self) -> Publication:
        """What the broker shall publish when this daemon vanishes. Called at each attempt."""

    @abstractmethod
    def _connect_sent(self) -> None:
        """The request to connect, with that will, is on its way."""

    @abstractmethod
    async def _use(self, connection: Connection) -> None:
        """Use the connection until it ends; raise ``aiomqtt.MqttError``, or a group of them."""

    @abstractmethod
    def _goodbye(self) -> Publication:
        """The last publication before the connection is closed, also after a fault: leaving in
        order makes the broker drop the will."""

    @abstractmethod
    def _disconnected(self) -> None:
        """The connection is over, or there was none to be had."""

    async def run(self) -> None:
        """Keep the link up until cancelled. Expected failures are logged, never raised."""
        now_s, cap_s = asyncio.get_running_loop().time, self._settings.retry_cap_s
        wait_s = self._settings.retry_first_s
        while True:
            fault = await self._fault_of(asyncio.create_task(self._one_connection()))
            held_s = now_s() - self.status.since_s if self.status.connected else 0.0
            self._disconnected()
            self._note_loss(explain(fault, self._settings))
            # A broker that accepts the connection and then throws it out must not be hammered.
            if held_s > cap_s:
                wait_s = self._settings.retry_first_s
            await asyncio.sleep(wait_s * (0.5 + 0.5 * self._uniform()))
            wait_s = min(2.0 * wait_s, cap_s)

    async def _fault_of(self, connection: asyncio.Task[aiomqtt.MqttError]) -> aiomqtt.MqttError:
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
        return connection.result()

    async def _one_connection(self) -> aiomqtt.MqttError:
        """The fault that has ended it."""
        leave_s = self._settings.leave_s
        disconnect_s = (1.0 - GOODBYE_SHARE) * leave_s
        fault: BaseException | None = None
        try:
            async with connect(
                self._settings, self._will(), self._connect_sent, disconnect_s
            ) as connection:
                try:
                    await self._use(connection)
                finally:
                    with suppress(aiomqtt.MqttError, TimeoutError):
                        async with asyncio.timeout(GOODBYE_SHARE * leave_s):
                            await connection.deliver(self._goodbye())
        except* aiomqtt.MqttError as faults:
            fault = faults
        while isinstance(fault, BaseExceptionGroup):
            fault = fault.exceptions[0]
        assert isinstance(fault, aiomqtt.MqttError), "a connection ends only by a fault"
        return fault

    def _note_connection(self) -> None:
        """Log that the connection has everything it needs."""
        now_s = asyncio.get_running_loop().time()
        broker, table = self._settings.broker, self._settings.table
        words = {"broker": f"{broker.host}:{broker.port_used}", "settings": table}
        if self._was_connected:
            _log.info("broker back", away_s=round(now_s - self.status.since_s, 1), **words)
        else:
            _log.info("broker connected", version=broker.version, **words)
        if broker.tls is not None and not broker.tls.verify:
            _log.warning("broker not verified", remedy=f"set {table}.tls.verify to true")
        self._was_connected = True
        self.status = LinkStatus(connected=True, since_s=now_s)

    def _note_loss(self, trouble: Trouble) -> None:
        now_s = asyncio.get_running_loop().time()
        before, since_s = self.status, now_s
        words = {
            "cause": trouble.cause,
            "remedy": trouble.remedy,
            "settings": self._settings.table,
        }
        if before.connected:
            _log.warning("broker lost", connected_s=round(now_s - before.since_s, 1), **words)
        elif before.trouble == trouble:
            return
        else:
            _log.warning("broker not reached", **words)
            since_s = now_s if before.trouble is None else before.since_s
        self.status = LinkStatus(connected=False, since_s=since_s, trouble=trouble)
