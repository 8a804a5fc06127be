"""Publications and requests as MQTT 5 properties."""

import json
import re
from functools import lru_cache

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

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
