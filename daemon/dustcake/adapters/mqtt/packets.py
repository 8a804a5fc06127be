"""MQTT packets, at the places where paho has to be helped: properties are packed once, and reading
is bounded: how much at once, how long a packet may be, how many messages may wait.

With MQTT 5 the broker knows ``LARGEST_PACKET`` and sends nothing longer; with 3.1.1 it would have
to be kept in memory whole, several times, only to be thrown away.
"""

import asyncio
import json
import re
import ssl
from collections import deque
from functools import lru_cache
from struct import unpack_from
from typing import Any

import aiomqtt
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from dustcake.adapters.limits import FloodLog
from dustcake.publish.topics import Publication

LARGEST_PACKET = 65_536  # bytes; a broker that speaks MQTT 5 sends nothing larger

# How payloads of our own begin: to see that, they need not be parsed whole.
_SCHEMA_FIRST = re.compile(rb'\{"schema": "([a-z0-9/_]+)", ')


class _Packed(Properties):
    """Properties that stay as they are, packed once: paho's own take longer to fill and pack than
    all else that is done to publish."""

    def __init__(self, properties: Properties) -> None:
        packed = bytes(properties.pack())  # type: ignore[no-untyped-call]
        self.__dict__.update(properties.__dict__, packed=packed)

    def pack(self) -> bytes:
        packed: bytes = self.__dict__["packed"]
        return packed


def connect_properties() -> Properties:
    """A session that ends with the connection: a request never waits for an absent daemon."""
    properties = _properties_of(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 0
    properties.MaximumPacketSize = LARGEST_PACKET
    return properties


def publish_properties(
    publication: Publication, correlation_data: bytes | None = None
) -> Properties:
    """Expiry, content type, the name of the payload's schema, correlation data."""
    schema = _SCHEMA_FIRST.match(publication.payload)
    if schema is not None and correlation_data is None:
        return _of_schema(schema[1].decode(), publication.expiry_s)
    properties = _properties_of(PacketTypes.PUBLISH)
    _describe(properties, publication)
    if correlation_data is not None:
        properties.CorrelationData = correlation_data
    return properties


@lru_cache(maxsize=64)
def _of_schema(schema: str, expiry_s: int | None) -> Properties:
    """The properties of every publication with a payload of ``schema``."""
    properties = _properties_of(PacketTypes.PUBLISH)
    _describe_as(properties, schema, expiry_s)
    return _Packed(properties)


def will_properties(will: Publication) -> Properties:
    """The same for a will."""
    properties = _properties_of(PacketTypes.WILLMESSAGE)
    _describe(properties, will)
    return properties


def _properties_of(packet_type: int) -> Properties:
    return Properties(packet_type)  # type: ignore[no-untyped-call]


def _describe(properties: Properties, publication: Publication) -> None:
    try:
        body = json.loads(publication.payload)
    except ValueError:  # an empty payload that clears a retained one, or another encoding
        if publication.expiry_s is not None:
            properties.MessageExpiryInterval = publication.expiry_s
        return
    named = isinstance(body, dict) and isinstance(body.get("schema"), str)
    _describe_as(properties, body["schema"] if named else None, publication.expiry_s)


def _describe_as(properties: Properties, schema: str | None, expiry_s: int | None) -> None:
    """As JSON, of ``schema`` where it has one."""
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    properties.PayloadFormatIndicator = 1  # UTF-8
    properties.ContentType = "application/json"
    if schema is not None:
        properties.UserProperty = ("schema", schema)


def response_topic(properties: Properties | None) -> str | None:
    """Where the sender of a request wants its reply."""
    topic = getattr(properties, "ResponseTopic", None)
    return topic if isinstance(topic, str) else None


def correlation_data(properties: Properties | None) -> bytes | None:
    """What the sender of a request wants back with its reply."""
    data = getattr(properties, "CorrelationData", None)
    return data if isinstance(data, bytes) else None


def message_expiry_s(properties: Properties | None) -> float | None:
    """For how long the message still holds; None: for ever."""
    interval_s = getattr(properties, "MessageExpiryInterval", None)
    return float(interval_s) if isinstance(interval_s, int) else None


MOST_UNSORTED = 128

_dropped = FloodLog("messages dropped")


class Inbox(asyncio.Queue[aiomqtt.Message]):
    """Messages not yet sorted. Full, the oldest of the newcomer's topic makes room, so that a flood
    at one topic leaves the others alone; and if there is none, the oldest."""

    _queue: deque[aiomqtt.Message]

    def _put(self, item: aiomqtt.Message) -> None:
        waiting = self._queue
        if len(waiting) >= MOST_UNSORTED:
            topic = item.topic.value
            same = (n for n, each in enumerate(waiting) if each.topic.value == topic)
            del waiting[next(same, 0)]
            _dropped.warn(topic=topic, cause=f"{MOST_UNSORTED} messages are waiting already")
        waiting.append(item)


class BoundedReader:
    """Takes the place of paho's own way to the socket."""

    def __init__(self, client: PahoClient, sock: Any) -> None:
        self._client = client
        self._sock = sock
        self._may_read = 0
        self._to_skip = 0
        self._first_byte = 0
        self._head = b""
        client._sock_recv = self._receive  # type: ignore[method-assign, assignment]

    def read(self) -> bool:
        """Take in one packet, or a piece of it. Whether there is more that the system does not know
        of, because TLS has deciphered it already."""
        if self._sock.fileno() < 0:
            return False
        self._may_read = LARGEST_PACKET
        if not self._to_skip or not self._skip():
            self._client.loop_read()
        sock = self._sock
        return isinstance(sock, ssl.SSLSocket) and sock.fileno() >= 0 and sock.pending() > 0

    def _receive(self, size: int) -> bytes:
        """As paho requests it: byte by byte up to a packet's length, then all of the rest."""
        if size > LARGEST_PACKET:
            self._begin_skipping(size)
        if self._may_read <= 0 or self._to_skip:
            raise BlockingIOError
        try:
            data: bytes = self._sock.recv(min(size, self._may_read))
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError) as error:
            raise BlockingIOError from error
        self._may_read -= len(data)
        return data

    def _begin_skipping(self, size: int) -> None:
        packet = self._client._in_packet
        self._to_skip, self._first_byte, self._head = size, int(packet["command"]), b""
        packet.update(
            {
                "command": 0,
                "have_remaining": 0,
                "remaining_count": [],
                "remaining_mult": 1,
                "remaining_length": 0,
                "packet": bytearray(),
                "to_process": 0,
                "pos": 0,
            }
        )

    def _skip(self) -> bool:
        """Go on with it; False where the connection is lost, which paho is to find out."""
        try:
            data: bytes = self._sock.recv(min(self._to_skip, self._may_read))
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return True
        except OSError:
            data = b""
        self._to_skip = self._to_skip - len(data) if data else 0
        # Topic and packet identifier are at the beginning.
        self._head += data[: LARGEST_PACKET + 4 - len(self._head)]
        if data and not self._to_skip:
            self._skipped()
        return bool(data)

    def _skipped(self) -> None:
        (length,) = unpack_from(">H", self._head)
        topic = self._head[2 : 2 + length].decode(errors="replace")
        _dropped.warn(topic=topic, cause=f"more than {LARGEST_PACKET} bytes")
        if self._first_byte >> 1 & 3:  # the broker would wait for ever that it is acknowledged
            self._client._send_puback(unpack_from(">H", self._head, 2 + length)[0])
