"""The daemon's side of the link: announce, deliver the outbox, publish live, take requests."""

import asyncio
import random
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Protocol

import aiomqtt
import structlog

from dustcake.adapters.mqtt.backoff import Backoff
from dustcake.adapters.mqtt.causes import Trouble, explain
from dustcake.adapters.mqtt.connection import Connection, connect
from dustcake.adapters.mqtt.newest import Newest
from dustcake.adapters.mqtt.requests import RequestHandler, Requests
from dustcake.adapters.mqtt.settings import LinkSettings
from dustcake.core.record import record
from dustcake.ports import Outbox
from dustcake.publish.publication import Keep, Publication

GOODBYE_SHARE = 0.7  # of the time to leave; the rest is for DISCONNECT to go out
LIVE_CAPACITY = 256

_log = structlog.get_logger(__name__)


class Presence(Protocol):
    """What the daemon says of itself. Called anew each time, so that each carries its own time."""

    def will(self) -> Publication:
        """What the broker shall publish when this daemon vanishes."""
        ...

    def birth(self) -> Publication:
        """First after connecting."""
        ...

    def current(self) -> Sequence[Publication]:
        """The present retained states, after the birth."""
        ...

    def goodbye(self) -> Publication:
        """Last before an orderly end."""
        ...


@record
class LinkStatus:
    """``since_s``: on the event loop's clock. ``trouble``: None while connected, and before the
    first attempt has ended."""

    connected: bool
    since_s: float
    trouble: Trouble | None = None


class MqttLink:
    """One connection to the broker; ``run`` keeps it up.

    ``on_request`` takes what comes in on ``settings.request_topics``. ``on_status`` is called at
    each change. ``uniform`` gives numbers in [0, 1), for the jitter of the waiting times.
    """

    def __init__(
        self,
        settings: LinkSettings,
        outbox: Outbox,
        presence: Presence,
        on_request: RequestHandler | None = None,
        on_status: Callable[[LinkStatus], None] | None = None,
        uniform: Callable[[], float] = random.random,
    ) -> None:
        self._settings = settings
        self._outbox = outbox
        self._presence = presence
        self._on_request = on_request
        self._on_status = on_status
        self._backoff = Backoff(settings.retry_first_s, settings.retry_cap_s, uniform)
        self._live: Newest[tuple[Publication, bytes | None]] = Newest(LIVE_CAPACITY)
        self._status = LinkStatus(connected=False, since_s=0.0)
        self._was_connected = False

    @property
    def status(self) -> LinkStatus:
        """Whether the broker is there, since when, and if not why."""
        return self._status

    def publish_live(self, publication: Publication) -> None:
        """Publish at QoS 0 if there is a connection; never waits. The newest of a topic wins."""
        if self._status.connected:
            self._live.put(publication.topic, (publication, None))

    def reply(self, topic: str, payload: bytes, correlation_data: bytes | None) -> None:
        """Answer a request at QoS 0, best effort.

        The topic was chosen by somebody else. Not taken: one with wildcards or what cannot be
        printed, and one below this daemon's root unless a level of it is named ``reply``, so that
        no requester can have the daemon overwrite its own states.
        """
        levels = topic.split("/")
        own = f"{topic}/".startswith(f"{self._settings.root}/") and "reply" not in levels
        if not topic or own or set("+#") & set(topic) or not topic.isprintable():
            _log.warning("reply not sent", topic=topic, cause="not a topic for replies")
        elif self._status.connected:
            publication = Publication(topic, payload, qos=0, retain=False, keep=Keep.LIVE)
            self._live.put(object(), (publication, correlation_data))

    async def run(self) -> None:
        """Keep the link up until cancelled. Expected failures are logged, never raised."""
        clock = asyncio.get_running_loop().time
        while True:
            fault = await self._fault_of(asyncio.create_task(self._one_connection()))
            held_s = clock() - self._status.since_s if self._status.connected else 0.0
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
        disconnect_s = (1.0 - GOODBYE_SHARE) * self._settings.leave_s
        async with connect(self._settings, self._presence.will(), disconnect_s) as connection:
            try:
                fault = await self._converse(connection)
            finally:
                # Also after a fault: leaving in order makes the broker drop the will.
                with suppress(aiomqtt.MqttError, TimeoutError):
                    async with asyncio.timeout(GOODBYE_SHARE * self._settings.leave_s):
                        await connection.deliver(self._presence.goodbye())
            raise fault

    async def _converse(self, connection: Connection) -> Exception:
        try:
            async with asyncio.TaskGroup() as tasks:
                # The receiver is the first to learn of a lost connection, and by failing
                # ends whoever waits for an acknowledgement that cannot come.
                requests = Requests(self._on_request)
                tasks.create_task(requests.receive(connection))
                await connection.deliver(self._presence.birth())
                for state in self._presence.current():
                    await connection.deliver(state)
                await requests.subscribe(connection, self._settings.request_topics)
                self._note_connection()
                tasks.create_task(requests.handle())
                tasks.create_task(self._drain(connection))
                tasks.create_task(self._send_live(connection))
        except ExceptionGroup as faults:
            return _only_link_fault(faults)
        raise AssertionError("the receiver ends only by a fault")

    async def _drain(self, connection: Connection) -> None:
        while True:
            for queued in await self._outbox.pending(1):
                await connection.deliver(queued.publication)
                await self._outbox.delivered([queued.ref])
            await self._outbox.wait()

    async def _send_live(self, connection: Connection) -> None:
        while True:
            publication, correlation_data = await self._live.take()
            await connection.send(publication, correlation_data)

    def _note_connection(self) -> None:
        now_s = asyncio.get_running_loop().time()
        broker = f"{self._settings.host}:{self._settings.port}"
        if self._was_connected:
            _log.info("broker back", broker=broker, away_s=round(now_s - self._status.since_s, 1))
        else:
            _log.info("broker connected", broker=broker, version=str(self._settings.version))
        if self._settings.tls is not None and not self._settings.tls.verify:
            _log.warning("broker not verified", remedy="set mqtt.tls.verify to true")
        self._was_connected = True
        self._set_status(LinkStatus(connected=True, since_s=now_s))

    def _note_loss(self, trouble: Trouble) -> None:
        self._live.clear()
        now_s = asyncio.get_running_loop().time()
        before = self._status
        words = {"cause": trouble.cause, "remedy": trouble.remedy}
        if before.connected:
            _log.warning("broker lost", connected_s=round(now_s - before.since_s, 1), **words)
            self._set_status(LinkStatus(connected=False, since_s=now_s, trouble=trouble))
        elif before.trouble != trouble:
            _log.warning("broker not reached", **words)
            since_s = now_s if before.trouble is None else before.since_s
            self._set_status(LinkStatus(connected=False, since_s=since_s, trouble=trouble))

    def _set_status(self, status: LinkStatus) -> None:
        self._status = status
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
