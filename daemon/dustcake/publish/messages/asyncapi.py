"""Plain mode as an AsyncAPI 3.0.0 document."""

import json
from typing import Any

from dustcake.core.record import record
from dustcake.core.requests.definitions import Level
from dustcake.publish.messages.parts import SHARED, Schema
from dustcake.publish.messages.payload_schemas import messages_schema, payload_schemas
from dustcake.publish.payloads import SCHEMA_VERSION


@record
class _Channel:
    """One topic. ``leaf``: what follows ``root/collector/``."""

    leaf: str
    about: str
    qos: int
    retain: bool
    is_read: bool = False


CHANNELS = {
    "online": _Channel("online", "Whether the daemon is there; false also by its will.", 1, True),
    "measurement": _Channel(
        "measurement",
        "The reading, when it has changed by more than the deadband and at the latest after "
        "`measurement_every_s`. Expires (MQTT 5).",
        0,
        False,
    ),
    "state": _Channel("state", "What is being done, and why.", 1, True),
    "alarm": _Channel("alarm/{alarm}", "One alarm.", 1, True),
    "event": _Channel("event", "Everything that happens, in order, once each by `seq`.", 1, False),
    "minute": _Channel("minute", "Statistics of each minute, in order.", 1, False),
    "reply": _Channel(
        "reply/{name}", "Answers to requests that name no response topic (MQTT 5).", 0, False
    ),
    "request": _Channel(
        "request/{level}/{name}",
        "What plant SCADA asks for; read only with `requests_enabled` (level `acknowledge`) or "
        "`requests_adjust` (level `adjust`, all requests). With MQTT 5 the reply goes to the "
        "response topic, with the correlation data of the request. A request holds for "
        "`request_expiry_s`: it has `utc`, or a message expiry interval of no more.",
        1,
        False,
        is_read=True,
    ),
}


_PARAMETERS: dict[str, Schema] = {
    "alarm": {"description": "name of the alarm"},
    "level": {
        "description": "what may be asked for there",
        "enum": [Level.ACKNOWLEDGE.value, Level.ADJUST.value],
    },
    "name": {"description": "who asks; the broker's access rules can hold each user to its own"},
}


def document() -> dict[str, Any]:
    """The document. Its schemas are those of ``messages_schema``."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Dustcake, plain mode",
            "version": str(SCHEMA_VERSION),
            "description": "What a dustcake daemon publishes over MQTT 5 or 3.1.1, and what it "
            "takes. The version is that in the payloads' `schema`.",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": {kind: _channel(kind, channel) for kind, channel in CHANNELS.items()},
        "operations": {
            f"{'take' if channel.is_read else 'tell'}_{kind}": _operation(kind, channel)
            for kind, channel in CHANNELS.items()
        },
        "components": {
            "messages": {kind: _message(kind) for kind in CHANNELS},
            "schemas": _moved({**SHARED, **payload_schemas()}),
        },
    }


def _channel(kind: str, channel: _Channel) -> dict[str, Any]:
    parameters: Schema = {
        "root": {"description": "`mqtt.root` of the settings", "default": "dustcake"},
        "collector": {"description": "name of the collector in the settings"},
    }
    for name, about in _PARAMETERS.items():
        if f"{{{name}}}" in channel.leaf:
            parameters[name] = about
    return {
        "address": f"{{root}}/{{collector}}/{channel.leaf}",
        "description": channel.about,
        "parameters": parameters,
        "messages": {kind: {"$ref": f"#/components/messages/{kind}"}},
    }


def _operation(kind: str, channel: _Channel) -> dict[str, Any]:
    operation: dict[str, Any] = {
        "action": "receive" if channel.is_read else "send",
        "channel": {"$ref": f"#/channels/{kind}"},
        "bindings": {
            "mqtt": {"qos": channel.qos, "retain": channel.retain, "bindingVersion": "0.2.0"}
        },
    }
    if channel.is_read:
        operation["reply"] = {"channel": {"$ref": "#/channels/reply"}}
    return operation


def _message(kind: str) -> dict[str, Any]:
    return {
        "name": kind,
        "contentType": "application/json",
        "payload": {"$ref": f"#/components/schemas/{kind}"},
        "bindings": {"mqtt": {"payloadFormatIndicator": 1, "bindingVersion": "0.2.0"}},
    }


def _moved(schema: Any) -> Any:
    """``schema`` with its references as this document has them."""
    if isinstance(schema, dict):
        return {
            key: value.replace("#/$defs/", "#/components/schemas/")
            if key == "$ref"
            else _moved(value)
            for key, value in schema.items()
        }
    return [_moved(each) for each in schema] if isinstance(schema, list) else schema


def document_text() -> str:
    """The document as the text of a file."""
    return _text(document())


def messages_text() -> str:
    """The JSON Schema of every message as the text of a file."""
    return _text(messages_schema())


def _text(content: Schema) -> str:
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"
