"""The link to the MQTT broker. Only this package imports aiomqtt and paho-mqtt."""

from dustcake.adapters.mqtt.edge_node import EdgeNodeLink
from dustcake.adapters.mqtt.link import Incoming, MqttLink, Presence, RequestHandler
from dustcake.adapters.mqtt.reconnect import LinkStatus
from dustcake.adapters.mqtt.settings import LinkSettings, MqttVersion, TlsFiles
from dustcake.adapters.mqtt.trouble import Trouble

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
