"""The link to the MQTT broker. Only this package imports aiomqtt and paho-mqtt."""

from dustcake.adapters.mqtt.edge_node import EdgeNodeLink
from dustcake.adapters.mqtt.link import Incoming, MqttLink, Reply
from dustcake.adapters.mqtt.reconnect import LinkStatus
from dustcake.adapters.mqtt.trouble import LinkSettings

__all__ = ["EdgeNodeLink", "Incoming", "LinkSettings", "LinkStatus", "MqttLink", "Reply"]
