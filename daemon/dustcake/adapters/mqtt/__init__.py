"""The link to the MQTT broker. Only this package imports aiomqtt and paho-mqtt."""

from dustcake.adapters.mqtt.causes import Trouble
from dustcake.adapters.mqtt.edge_node import EdgeNodeLink
from dustcake.adapters.mqtt.link import MqttLink, Presence
from dustcake.adapters.mqtt.requests import Incoming, RequestHandler
from dustcake.adapters.mqtt.settings import LinkSettings, MqttVersion, TlsFiles
from dustcake.adapters.mqtt.upkeep import LinkStatus

__all__ = [
    "EdgeNodeLink",
    "Incoming",
    "LinkSettings",
    "LinkStatus",
    "MqttLink",
    "MqttVersion",
    "Presence",
    "RequestHandler",
    "TlsFiles",
    "Trouble",
]
