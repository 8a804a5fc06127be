"""Publications and requests as MQTT 5 properties."""

import json

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from dustcake.publish.publication import Publication

LARGEST_PACKET = 65_536  # bytes; a broker that speaks MQTT 5 sends nothing larger


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
    properties = _properties_of(PacketTypes.PUBLISH)
    _describe(properties, publication)
    if correlation_data is not None:
        properties.CorrelationData = correlation_data
    return properties


def will_properties(will: Publication) -> Properties:
    """The same for a will."""
    properties = _properties_of(PacketTypes.WILLMESSAGE)
    _describe(properties, will)
    return properties


def _properties_of(packet_type: int) -> Properties:
    return Properties(packet_type)  # type: ignore[no-untyped-call]


def _describe(properties: Properties, publication: Publication) -> None:
    if publication.expiry_s is not None:
        properties.MessageExpiryInterval = publication.expiry_s
    try:
        body = json.loads(publication.payload)
    except ValueError:
        return  # an empty payload that clears a retained one, or another encoding
    properties.PayloadFormatIndicator = 1  # UTF-8
    properties.ContentType = "application/json"
    if isinstance(body, dict) and isinstance(body.get("schema"), str):
        properties.UserProperty = ("schema", body["schema"])


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
