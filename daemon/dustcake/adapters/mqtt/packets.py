"""MQTT packets: their properties, and bounds for reading, which paho has none of: how much at
once, how long a packet may be, how many messages may wait.

With MQTT 5 the broker knows ``LARGEST_PACKET`` and sends nothing longer; with 3.1.1 it would have
to be kept in memory whole, several times, only to be thrown away.
"""

import asyncio
import json
import ssl
from collections import deque
from copy import deepcopy
from functools import cached_property, lru_cache
from struct import unpack_from
from typing import Any

import aiomqtt
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from dustcake.adapters.limits import FloodLog
from dustcake.publish.topics import Publication

LARGEST_PACKET = 65_536  # bytes; a broker that speaks MQTT 5 sends nothing larger


def connect_properties() -> Properties:
    """A session that ends with the connection: a request never waits for an absent daemon."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 0
    properties.MaximumPacketSize = LARGEST_PACKET
    return properties


class _PackedOnce(Properties):
    """Properties nobody changes later: to pack them takes longer than all else in publishing."""

    @cached_property
    def packed(self) -> bytes:
        """The properties as they are sent."""
        return bytes(super().pack())  # type: ignore[no-untyped-call]

    def pack(self) -> bytes:
        return self.packed


def publish_properties(
    publication: Publication,
    correlation_data: bytes | None = None,
    packet_type: int = PacketTypes.PUBLISH,
) -> Properties:
    """What a publication says beside its payload: expiry, content type, the name of the payload's
    schema, correlation data; the same for a will."""
    schema = _schema_of(publication.payload)
    return _properties(packet_type, publication.expiry_s, schema, correlation_data)


def _schema_of(payload: bytes) -> str | None:
    """The schema's name; empty where the payload names none, None where it is no JSON: it is empty
    and clears a retained one, or has another encoding."""
    try:
        body = json.loads(payload)
    except ValueError:
        return None
    named = body.get("schema") if isinstance(body, dict) else None
    return named if isinstance(named, str) else ""


@lru_cache(maxsize=32)
def _properties(
    packet_type: int, expiry_s: int | None, schema: str | None, correlation_data: bytes | None
) -> Properties:
    """Properties, made once. ``schema``: None: the payload is no JSON; empty: it names none."""
    properties = _PackedOnce(packet_type)  # type: ignore[no-untyped-call]
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    if correlation_data is not None:
        properties.CorrelationData = correlation_data
    if schema is not None:
        properties.PayloadFormatIndicator = 1  # UTF-8
        properties.ContentType = "application/json"
    if schema:
        properties.UserProperty = ("schema", schema)
    return properties


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
        self._no_packet = deepcopy(client._in_packet)  # nothing has been read yet
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
        packet.update(deepcopy(self._no_packet))

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
