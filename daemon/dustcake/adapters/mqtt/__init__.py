"""The link to the MQTT broker. Only this package imports aiomqtt and paho-mqtt."""

from dustcake.adapters.mqtt.causes import Trouble
from dustcake.adapters.mqtt.link import LinkStatus, MqttLink, Presence
from dustcake.adapters.mqtt.requests import RequestHandler
from dustcake.adapters.mqtt.settings import LinkSettings, MqttVersion, TlsFiles

__all__ = [
    "LinkSettings",
    "LinkStatus",
    "MqttLink",
    "MqttVersion",
    "Presence",
    "RequestHandler",
    "TlsFiles",
    "Trouble",
]
