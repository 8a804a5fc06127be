"""Requests that come in over MQTT: bounded, and one at a time."""

import asyncio
from collections.abc import Callable, Sequence
from typing import Protocol

import aiomqtt
import structlog
from paho.mqtt.reasoncodes import ReasonCode

from dustcake.adapters.limits import FloodLog, Turns
from dustcake.adapters.mqtt.connection import MESSAGES_APART_S, Connection
from dustcake.adapters.mqtt.packing import correlation_data, message_expiry_s, response_topic
from dustcake.core.record import record

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
        """Ask the broker for ``topics``. A refusal is logged and costs only the requests."""
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
