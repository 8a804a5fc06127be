"""The link of plain MQTT: the outbox in order, the newest of what is live, requests and replies."""

import asyncio
import random
from collections.abc import Awaitable, Callable, Hashable, Sequence

import aiomqtt

from dustcake.adapters.limits import FloodLog, Turns
from dustcake.adapters.mqtt.connection import MESSAGES_APART_S, Connection
from dustcake.adapters.mqtt.reconnect import Link
from dustcake.adapters.mqtt.trouble import LinkSettings
from dustcake.core.record import record
from dustcake.ports import Outbox
from dustcake.publish.topics import Keep, Publication, may_be_published_to

LARGEST_PAYLOAD = 16_384  # bytes
MOST_WAITING = 32
BUSY = f"{MOST_WAITING} requests are waiting already"
LIVE_CAPACITY = 256

_dropped = FloodLog("request dropped")
_not_sent = FloodLog("reply not sent")


_Live = tuple[Hashable, Publication, bytes | None]


class LatestQueue(asyncio.Queue[_Live]):
    """A queue, first in, first out; a second item of a key, its first part, replaces the first;
    full, the oldest goes."""

    def _init(self, maxsize: int) -> None:
        del maxsize
        self._queue: dict[Hashable, _Live] = {}

    def _put(self, item: _Live) -> None:
        self._queue.pop(item[0], None)
        if len(self._queue) >= LIVE_CAPACITY:
            self._get()
        self._queue[item[0]] = item

    def _get(self) -> _Live:
        return self._queue.pop(next(iter(self._queue)))


@record
class Incoming:
    """One request as it came. ``expiry_s``: what is left of its message expiry interval; this and
    what follows is None in MQTT 3.1.1. ``is_one_too_many``: as many as can are waiting already."""

    topic: str
    payload: bytes
    retained: bool
    expiry_s: int | None
    response_topic: str | None
    correlation_data: bytes | None
    is_one_too_many: bool = False


Reply = tuple[str, bytes]
"""Where it goes unless the request names a topic for it; the payload."""

AnswerRequest = Callable[[Incoming], Awaitable[Reply]]
"""Called for one after the other; for one too many at once, and then answers without delay."""


class MqttLink(Link):
    """One connection to the broker; ``run`` keeps it up.

    ``online``: what the daemon says of itself at the beginning and end of a connection, and
    ``current``: the present retained states, published after that; both are called anew each time,
    so that each carries its own time. ``answer`` takes what comes in on
    ``settings.request_topics``; None: nothing is listened to.
    """

    def __init__(
        self,
        settings: LinkSettings,
        outbox: Outbox,
        online: Callable[[bool], Publication],
        current: Callable[[], Sequence[Publication]],
        answer: AnswerRequest | None = None,
        uniform: Callable[[], float] = random.random,
    ) -> None:
        super().__init__(settings, uniform)
        self._outbox = outbox
        self._online = online
        self._current = current
        self._answer = answer
        self._live = LatestQueue()
        self._connection: Connection | None = None

    def publish_live(self, publication: Publication) -> None:
        """Publish at QoS 0 if there is a connection; never waits. Where what was published before
        still has to be sent, the newest of a topic wins."""
        if self._connection is None:
            return
        if self._live.empty() and self._connection.send_at_once(publication):
            return
        self._live.put_nowait((publication.topic, publication, None))

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
            self._live.put_nowait((object(), publication, correlation_data))

    def _will(self) -> Publication:
        return self._online(False)

    def _connect_sent(self) -> None:
        pass

    def _goodbye(self) -> Publication:
        return self._online(False)

    def _disconnected(self) -> None:
        # What was worth sending only then is not any more.
        self._connection = None
        self._live = LatestQueue()

    async def _use(self, connection: Connection) -> None:
        async with asyncio.TaskGroup() as tasks:
            # The receiver is the first to learn of a lost connection, and by failing
            # ends whoever waits for an acknowledgement that cannot come.
            waiting: asyncio.Queue[Incoming] = asyncio.Queue(MOST_WAITING)
            tasks.create_task(self._receive(connection, waiting))
            await connection.deliver(self._online(True))
            for state in self._current():
                await connection.deliver(state)
            topics = self._settings.request_topics
            if topics and self._answer is not None:
                refused = "requests refused by the broker"
                await connection.listen(topics, refused, as_published=True)
            self._note_connection()
            self._connection = connection
            tasks.create_task(self._answer_each(waiting))
            tasks.create_task(self._drain(connection))
            tasks.create_task(self._send_live(connection))

    async def _receive(self, connection: Connection, waiting: asyncio.Queue[Incoming]) -> None:
        """Sort what comes in, until the connection ends with an ``aiomqtt.MqttError``."""
        async for message in connection.incoming():
            incoming = _incoming(message, is_one_too_many=waiting.full())
            if incoming.is_one_too_many:
                _dropped.warn(topic=incoming.topic, cause=BUSY)
                await self._answer_one(incoming)
            else:
                waiting.put_nowait(incoming)

    async def _answer_each(self, waiting: asyncio.Queue[Incoming]) -> None:
        turns = Turns(MESSAGES_APART_S)
        while True:
            incoming = await waiting.get()
            await turns.next()
            await self._answer_one(incoming)

    async def _answer_one(self, incoming: Incoming) -> None:
        if self._answer is not None:
            topic, payload = await self._answer(incoming)
            self.reply(incoming.response_topic or topic, payload, incoming.correlation_data)

    async def _drain(self, connection: Connection) -> None:
        while True:
            for queued in await self._outbox.pending(1):
                await connection.deliver(queued.publication)
                await self._outbox.delivered([queued.ref])
            await self._outbox.wait()

    async def _send_live(self, connection: Connection) -> None:
        while True:
            _, publication, correlation_data = await self._live.get()
            await connection.send(publication, correlation_data)


def _incoming(message: aiomqtt.Message, *, is_one_too_many: bool) -> Incoming:
    properties = message.properties
    return Incoming(
        str(message.topic),
        # What is too long is refused by whoever reads it; so much shows that it is.
        bytes(message.payload[:LARGEST_PAYLOAD]),
        bool(message.retain),
        getattr(properties, "MessageExpiryInterval", None),
        getattr(properties, "ResponseTopic", None),
        getattr(properties, "CorrelationData", None),
        is_one_too_many,
    )
