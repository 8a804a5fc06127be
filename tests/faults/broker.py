"""A broker, and the connection to it, in place of ``adapters.mqtt.connection.connect``.

All above it is the daemon's own link. The broker outlives the daemon; so does its one subscriber,
who keeps a ledger of the events.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from random import Random
from typing import TYPE_CHECKING

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from dustcake.adapters.mqtt import LinkSettings
from dustcake.publish.topics import Publication

if TYPE_CHECKING:
    from faults.world import World

TRIP_S = 0.004
REQUEST_HOLDS_S = 30


class Broker:
    """``retained``: topic to payload. ``received``: events by their seq. ``lost_until``: up to
    this seq events that had not been told were lost with the card."""

    def __init__(self, world: "World", rng: Random) -> None:
        self.retained: dict[str, bytes] = {}
        self.received: dict[int, bytes] = {}
        self.lost_until = 0
        self._closed: dict[int, bytes] = {}
        self.duplicates = 0
        self.new_starts = 0
        self.connection: Connection | None = None
        self._world = world
        self._rng = rng

    @asynccontextmanager
    async def connect(
        self,
        _settings: LinkSettings,
        will: Publication,
        sent: Callable[[], None],
        _leave_s: float,
    ) -> AsyncIterator["Connection"]:
        """Connect; leave in order on the way out."""
        await self.trip()
        if self._world.trouble.active("broker_away"):
            raise aiomqtt.MqttError("connection refused")
        sent()
        connection = self.connection = Connection(self, will)
        self._world.ledger.note("broker", "connected")
        try:
            yield connection
        finally:
            self._world.loop.check_power()
            if not connection.is_lost:
                self._world.ledger.note("broker", "left in order")
                self.connection = None

    async def trip(self) -> None:
        """A message on its way."""
        self._world.loop.check_power()
        await asyncio.sleep(TRIP_S)
        self._world.loop.check_power()

    def lose(self) -> None:
        """The connection breaks, and the will is published."""
        connection, self.connection = self.connection, None
        if connection is not None:
            self.retained[connection.will.topic] = connection.will.payload
            connection.break_off()

    def drops_acknowledgement(self) -> bool:
        """Whether a publication arrives, but the connection breaks before that is known."""
        return self._world.trouble.active("ack_lost") and self._rng.random() < 0.3

    def take(self, publication: Publication) -> None:
        """A publication has arrived."""
        if publication.retain:
            self.retained[publication.topic] = publication.payload
        if publication.topic.endswith("/event"):
            self._event(publication.payload)

    def _event(self, payload: bytes) -> None:
        seq = int(json.loads(payload)["seq"])
        is_first = seq <= self.lost_until + 1
        if is_first and self.new_starts and self.received.get(seq) != payload:
            # The state was lost with the card: numbers begin again, and what came before is closed.
            self.new_starts -= 1
            self._closed, self.received = self.received, {}
        known, again = self.received.get(seq), self._closed.get(seq) == payload
        if known is not None:
            self.duplicates += 1
            if self._closed.get(seq) == known:
                # It was one of before, from a card whose state was lost twice.
                self.received[seq] = payload
            elif known != payload and not again:
                self._world.object(f"event {seq} told twice, and not the same")
            return
        last = max(self.received, default=0)
        if not last < seq <= max(last, self.lost_until) + 1:
            if not again:
                self._world.object(f"event {seq} told after event {last}")
            self.duplicates += 1
            return
        self.received[seq] = payload
        self._world.trouble.trigger("told")


class Connection:
    """As much of ``adapters.mqtt.connection.Connection`` as the link uses."""

    def __init__(self, broker: Broker, will: Publication) -> None:
        self.will = will
        self._messages: asyncio.Queue[aiomqtt.Message | None] = asyncio.Queue()
        self.is_lost = False
        self._broker = broker
        self._subscribed = False

    def break_off(self) -> None:
        """For the daemon: the socket is gone."""
        self.is_lost = True
        self._messages.put_nowait(None)

    async def incoming(self) -> AsyncIterator[aiomqtt.Message]:
        while (message := await self._messages.get()) is not None:
            yield message
        raise aiomqtt.MqttError("connection lost")

    def send_at_once(self, publication: Publication) -> bool:
        return False  # so that everything takes the way on which it can be lost

    async def send(self, publication: Publication, correlation_data: bytes | None = None) -> None:
        await self.deliver(publication)

    async def deliver(self, publication: Publication) -> None:
        await self._broker.trip()
        if self.is_lost:
            raise aiomqtt.MqttError("connection lost")
        self._broker.take(publication)
        if self._broker.drops_acknowledgement():
            self._broker.lose()
        await self._broker.trip()
        if self.is_lost:
            raise aiomqtt.MqttError("connection lost")

    async def listen(self, _topics: Sequence[str], _refused: str, *, as_published: bool) -> None:
        await self._broker.trip()
        self._subscribed = as_published

    def request(self, topic: str, payload: bytes) -> bool:
        """Somebody publishes a request; whether it reaches the daemon."""
        if self._subscribed and not self.is_lost:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = REQUEST_HOLDS_S
            self._messages.put_nowait(aiomqtt.Message(topic, payload, 1, False, 1, properties))
            return True
        return False
