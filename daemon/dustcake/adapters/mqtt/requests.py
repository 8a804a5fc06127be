"""Requests that come in over MQTT: bounded, never retained ones, one at a time."""

import asyncio
from collections.abc import Sequence
from typing import Protocol

import aiomqtt
import structlog
from paho.mqtt.reasoncodes import ReasonCode

from dustcake.adapters.mqtt.connection import Connection
from dustcake.adapters.mqtt.packing import correlation_data, response_topic, user_properties

LARGEST_PAYLOAD = 16_384  # bytes
MOST_WAITING = 32

_log = structlog.get_logger(__name__)


class RequestHandler(Protocol):
    """Takes one request that came in; the reply, if any, goes through ``MqttLink.reply``."""

    async def __call__(
        self,
        topic: str,
        payload: bytes,
        response_topic: str | None,
        correlation_data: bytes | None,
        user_properties: tuple[tuple[str, str], ...],
    ) -> None:
        """``response_topic`` and ``correlation_data`` are None in MQTT 3.1.1."""
        ...


class Requests:
    """The requests of one connection."""

    def __init__(self, handler: RequestHandler | None) -> None:
        self._handler = handler
        self._waiting: asyncio.Queue[aiomqtt.Message] = asyncio.Queue(MOST_WAITING)

    async def subscribe(self, connection: Connection, topics: Sequence[str]) -> None:
        """Ask the broker for ``topics``. A refusal is logged and costs only the requests."""
        if not topics or self._handler is None:
            return
        codes = await connection.subscribe([(topic, 1) for topic in topics])
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
        async for message in connection.messages:
            fault = self._fault(message)
            if fault is None:
                self._waiting.put_nowait(message)
            else:
                _log.warning("request dropped", topic=str(message.topic), cause=fault)

    def _fault(self, message: aiomqtt.Message) -> str | None:
        if message.retain:
            # It would act again at every connect.
            return "it was sent as a retained message"
        if len(message.payload) > LARGEST_PAYLOAD:
            return f"{len(message.payload)} bytes, more than {LARGEST_PAYLOAD}"
        if self._waiting.full():
            return f"{MOST_WAITING} requests are waiting already"
        return None

    async def handle(self) -> None:
        """Hand the requests on, one after the other, for ever."""
        while self._handler is not None:
            message = await self._waiting.get()
            await self._handler(
                topic=str(message.topic),
                payload=message.payload,
                response_topic=response_topic(message.properties),
                correlation_data=correlation_data(message.properties),
                user_properties=user_properties(message.properties),
            )
