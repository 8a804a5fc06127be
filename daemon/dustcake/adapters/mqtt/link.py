"""A bounded waiting room in which the newest of each key wins."""

import asyncio
import random
from collections.abc import Callable, Hashable, Sequence
from typing import Generic, Protocol, TypeVar

import aiomqtt
import structlog
from paho.mqtt.reasoncodes import ReasonCode

from dustcake.adapters.limits import FloodLog, Turns
from dustcake.adapters.mqtt.connection import MESSAGES_APART_S, Connection
from dustcake.adapters.mqtt.packets import correlation_data, message_expiry_s, response_topic
from dustcake.adapters.mqtt.reconnect import LinkStatus, Reconnector
from dustcake.adapters.mqtt.settings import LinkSettings
from dustcake.core.record import record
from dustcake.ports import Outbox
from dustcake.publish.topics import Keep, Publication, may_be_published_to

T = TypeVar("T")


class LatestQueue(Generic[T]):
    """First in, first out; a second item of a key replaces the first; full, the oldest goes."""

    def __init__(self, capacity: int) -> None:
        self._capacity = capacity
        self._items: dict[Hashable, T] = {}
        self._filled = asyncio.Event()

    def put(self, key: Hashable, item: T) -> None:
        """Add ``item``; never waits."""
        self._items.pop(key, None)
        if len(self._items) >= self._capacity:
            del self._items[next(iter(self._items))]
        self._items[key] = item
        self._filled.set()

    async def take(self) -> T:
        """Remove and return the oldest item, waiting for one."""
        while not self._items:
            self._filled.clear()
            await self._filled.wait()
        return self._items.pop(next(iter(self._items)))

    @property
    def is_empty(self) -> bool:
        """Whether nothing waits."""
        return not self._items

    def clear(self) -> None:
        """Forget everything."""
        self._items.clear()


LARGEST_PAYLOAD = 16_384  # bytes
MOST_WAITING = 32
BUSY = f"{MOST_WAITING} requests are waiting already"

_log = structlog.get_logger(__name__)
_dropped = FloodLog("request dropped")


@record
class Incoming:
    """One request as it came. ``expiry_s``: what is left of its message expiry interval; this and
    what follows is None in MQTT 3.1.1."""

    topic: str
    payload: bytes
    retained: bool
    expiry_s: float | None
    response_topic: str | None
    correlation_data: bytes | None


Reply = Callable[[str, bytes, bytes | None], None]


class RequestHandler(Protocol):
    """Takes one request that came in, and replies once: to a topic, with correlation data."""

    async def __call__(self, incoming: Incoming, reply: Reply) -> None:
        """Called for one after the other."""
        ...

    def busy(self, incoming: Incoming, reply: Reply) -> None:
        """The same where too many are waiting: without delay, in a few words."""
        ...


class Requests:
    """The requests of one connection."""

    def __init__(self, handler: RequestHandler | None, reply: Reply) -> None:
        self._handler = handler
        self._reply = reply
        self._waiting: asyncio.Queue[Incoming] = asyncio.Queue(MOST_WAITING)
        self._turns = Turns(MESSAGES_APART_S)

    async def subscribe(self, connection: Connection, topics: Sequence[str]) -> None:
        """Subscribe to ``topics``. A refusal is logged and costs only the requests."""
        if not topics or self._handler is None:
            return
        codes = await connection.listen(topics)
        for topic, code in zip(topics, codes, strict=True):
            if isinstance(code, ReasonCode) and code.is_failure:
                _log.warning(
                    "requests refused by the broker",
                    topic=topic,
                    cause=str(code),
                    remedy="allow this user to read there in the broker's access rules",
                )

    async def receive(self, connection: Connection) -> None:
        """Sort what comes in, until the connection ends with an ``aiomqtt.MqttError``."""
        async for message in connection.incoming():
            if self._handler is None:
                continue
            incoming = _incoming(message)
            if self._waiting.full():
                _dropped.warn(topic=incoming.topic, cause=BUSY)
                self._handler.busy(incoming, self._reply)
            else:
                self._waiting.put_nowait(incoming)

    async def handle(self) -> None:
        """Hand the requests on, one after the other, for ever."""
        while self._handler is not None:
            incoming = await self._waiting.get()
            await self._turns.next()
            await self._handler(incoming, self._reply)


def _incoming(message: aiomqtt.Message) -> Incoming:
    properties = message.properties
    # What is too long is refused by whoever reads it; so much shows that it is.
    payload = bytes(message.payload[:LARGEST_PAYLOAD])
    return Incoming(
        str(message.topic),
        payload,
        bool(message.retain),
        message_expiry_s(properties),
        response_topic(properties),
        correlation_data(properties),
    )


LIVE_CAPACITY = 256

_not_sent = FloodLog("reply not sent")


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
        self._reconnector = Reconnector(settings, self, on_status, uniform)
        self._live: LatestQueue[tuple[Publication, bytes | None]] = LatestQueue(LIVE_CAPACITY)
        self._connection: Connection | None = None

    @property
    def status(self) -> LinkStatus:
        """Whether the broker is there, since when, and if not why."""
        return self._reconnector.status

    def publish_live(self, publication: Publication) -> None:
        """Publish at QoS 0 if there is a connection; never waits. Where what was published before
        still has to be sent, the newest of a topic wins."""
        if self._connection is None:
            return
        if self._live.is_empty and self._connection.send_at_once(publication):
            return
        self._live.put(publication.topic, (publication, None))

    def reply(self, topic: str, payload: bytes, correlation_data: bytes | None) -> None:
        """Answer a request at QoS 0, best effort.

        The topic was chosen by somebody else. Not taken: one with wildcards or what cannot be
        printed, and one below this daemon's root unless a level of it is named ``reply``, so that
        no requester can have the daemon overwrite its own states.
        """
        levels = topic.split("/")
        own = f"{topic}/".startswith(f"{self._settings.root}/") and "reply" not in levels
        if own or not may_be_published_to(topic):
            _not_sent.warn(topic=topic, cause="not a topic for replies")
        elif self.status.connected:
            publication = Publication(topic, payload, qos=0, retain=False, keep=Keep.LIVE)
            self._live.put(object(), (publication, correlation_data))

    async def run(self) -> None:
        """Keep the link up until cancelled. Expected failures are logged, never raised."""
        await self._reconnector.run()

    def will(self) -> Publication:
        """See ``Session``, whose methods these are."""
        return self._presence.will()

    def connect_sent(self) -> None:
        """Nothing depends on it."""

    def goodbye(self) -> Publication:
        """Last before the connection is closed."""
        return self._presence.goodbye()

    def disconnected(self) -> None:
        """What was worth sending only then is not any more."""
        self._connection = None
        self._live.clear()

    async def run_session(self, connection: Connection) -> None:
        """Announce the daemon, then deliver, publish and listen until the connection ends."""
        async with asyncio.TaskGroup() as tasks:
            # The receiver is the first to learn of a lost connection, and by failing
            # ends whoever waits for an acknowledgement that cannot come.
            requests = Requests(self._on_request, self.reply)
            tasks.create_task(requests.receive(connection))
            await connection.deliver(self._presence.birth())
            for state in self._presence.current():
                await connection.deliver(state)
            await requests.subscribe(connection, self._settings.request_topics)
            self._reconnector.note_connection()
            self._connection = connection
            tasks.create_task(requests.handle())
            tasks.create_task(self._drain(connection))
            tasks.create_task(self._send_live(connection))

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
