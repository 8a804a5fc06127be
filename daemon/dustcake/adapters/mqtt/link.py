"""The daemon's side of the link: announce, deliver the outbox, publish live, take requests."""

import asyncio
import random
from collections.abc import Callable, Sequence
from typing import Protocol

from dustcake.adapters.limits import FloodLog
from dustcake.adapters.mqtt.connection import Connection
from dustcake.adapters.mqtt.newest import Newest
from dustcake.adapters.mqtt.requests import RequestHandler, Requests
from dustcake.adapters.mqtt.settings import LinkSettings
from dustcake.adapters.mqtt.upkeep import LinkStatus, Upkeep
from dustcake.ports import Outbox
from dustcake.publish.topics import Keep, Publication, may_be_published_to

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
        self._upkeep = Upkeep(settings, self, on_status, uniform)
        self._live: Newest[tuple[Publication, bytes | None]] = Newest(LIVE_CAPACITY)
        self._connection: Connection | None = None

    @property
    def status(self) -> LinkStatus:
        """Whether the broker is there, since when, and if not why."""
        return self._upkeep.status

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
        await self._upkeep.run()

    def will(self) -> Publication:
        """See ``Conversation``, whose methods these are."""
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

    async def converse(self, connection: Connection) -> None:
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
            self._upkeep.note_connection()
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
