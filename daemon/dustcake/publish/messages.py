"""The messages of plain mode for programs: schemas of the payloads, and the AsyncAPI document."""

import json
import re
from dataclasses import fields
from types import NoneType
from typing import Any, get_args, get_type_hints

from dustcake.core.cleaning.state import Met, RunKind
from dustcake.core.events import EVENTS, SettingChanged
from dustcake.core.filter_life.forecast import Outlook
from dustcake.core.inputs import CONTACT_NAMES
from dustcake.core.reasons import Because, Reason
from dustcake.core.requests.definitions import (
    KINDS,
    LONGEST_LABEL,
    LONGEST_TEXT,
    REQUESTS,
    Field,
    FieldType,
    Level,
    RequestKind,
)
from dustcake.core.requests.kinds import Identity, Mode, PointChange, SetPoint
from dustcake.publish.life_and_air import air_schema, life_schema
from dustcake.publish.payloads import (
    ALARM,
    CHOSEN,
    CODE,
    COUNT,
    FLAG,
    FLAG_OR_NULL,
    NUMBER,
    POINT,
    POINTS,
    QUANTITY,
    SCHEMA_VERSION,
    SHARED,
    TEXT,
    TEXT_OR_NULL,
    TEXTS,
    TIME,
    WHY,
    Schema,
    array_of,
    described,
    object_of,
    one_of,
    one_or_null,
    or_null,
    ref,
)
from dustcake.publish.topics import CHANNELS, Channel
from dustcake.units import unit_ending

_REASON: Schema = {"reason": WHY, "reason_code": CODE}
_MAY_BE_WHOLE: Schema = {"type": ["integer", "null"]}


def _whole(kind: str, description: str, content: Schema) -> Schema:
    """A payload: its head, then ``content``."""
    seq = (
        "of an event its number, which never skips; of anything else the number of the last event "
        "it takes account of"
    )
    head: Schema = {
        "schema": {"const": f"dustcake/{kind}/{SCHEMA_VERSION}"},
        "utc": TIME,
        "seq": described(COUNT, seq),
    }
    return object_of({**head, **content}, description)


def payload_schemas() -> Schema:
    """The schema of each kind of payload, by the name of its kind."""
    change = "of set points: the number by which it is confirmed"
    return {
        "online": _whole("online", "whether the daemon is there", {"online": FLAG}),
        "measurement": _whole(
            "measurement", "the reading now; null for what is not fitted", _measurement()
        ),
        "state": _whole("state", "what is being done, and why", _state()),
        "alarm": _whole("alarm", "one alarm", _alarm()),
        "event": {"oneOf": [_event(body) for body in EVENTS.values()]},
        "minute": _whole("minute", "statistics of one minute", _minute()),
        "reply": _whole(
            "reply",
            "what became of a request",
            {
                "id": TEXT_OR_NULL,
                "request": one_or_null(REQUESTS),
                "accepted": FLAG,
                "reason": TEXT,
                "reason_code": CODE,
                "change": described(_MAY_BE_WHOLE, change),
                "points": POINTS,
            },
        ),
        "request": {"oneOf": [_request(kind) for kind in KINDS]},
    }


def messages_schema() -> Schema:
    """One schema for everything the daemon publishes or reads."""
    kinds = payload_schemas()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Messages of dustcake in plain mode",
        "oneOf": [ref(kind) for kind in kinds],
        "$defs": {**SHARED, **kinds},
    }


def _measurement() -> Schema:
    contact, measured = ref("contact"), ref("measured")
    others = [name for name in CONTACT_NAMES if name != "blower_running"]
    return {
        "dp": measured,
        "header": or_null(measured),
        "blower_running": contact,
        **{name: or_null(contact) for name in others},
    }


def _state() -> Schema:
    permissive: Schema = {
        "name": TEXT,
        "met": one_of(Met),
        "reason": TEXT_OR_NULL,
        "reason_code": one_or_null(Because),
    }
    by_request: Schema = {
        "set_point": one_of(SetPoint),
        "in_force": POINT,
        "settings": described(POINT, "what the settings file has"),
        "by": TEXT,
        "utc": TIME,
    }
    held: Schema = {"change": COUNT, "points": POINTS, "by": TEXT, "until": TIME}
    return {
        "mode": ref("mode"),
        "phase": ref("phase"),
        "cleaning": one_or_null(RunKind),
        **_REASON,
        "permissives": array_of(object_of(permissive)),
        "quality": ref("quality"),
        "quality_reasons": TEXTS,
        "quality_reason_codes": array_of(CODE),
        "blower_running": FLAG_OR_NULL,
        "valves": array_of(
            object_of({"valve": {"type": "integer", "minimum": 1}, "pulses": COUNT})
        ),
        "last_valve": {**_MAY_BE_WHOLE, "minimum": 1},
        "set_points": object_of(
            {"low": CHOSEN, "high": CHOSEN, "replacement": CHOSEN}, "those in force"
        ),
        "interval": described(POINT, "from pulse to pulse, in force"),
        "on_time": described(POINT, "of a valve, in force"),
        "set_points_by_request": array_of(
            object_of(by_request), "set points that are not as in the settings file"
        ),
        "change_held": described(
            or_null(object_of(held)),
            "a change of set points that waits for its confirmation",
        ),
        "filter_life": life_schema(),
        "air": air_schema(),
        "zero_offset": CHOSEN,
        "filters_changed": TIME,
        "upkeep": array_of(object_of({"upkeep": TEXT, "due": FLAG, "done": TIME, "text": TEXT})),
        "alarms": array_of(ALARM),
        "alarms_out_of_view": array_of(
            object_of({"alarm": ALARM, "state": ref("alarm_state"), "active": FLAG})
        ),
    }


def _alarm() -> Schema:
    return {
        "alarm": ALARM,
        "state": ref("alarm_state"),
        "active": described(FLAG, "of what it watches, also while it is out of view"),
        "acknowledged": FLAG,
        "priority": ref("priority"),
        "enabled": FLAG,
        "latching": FLAG,
        "since": TIME,
        **_REASON,
        "by": TEXT_OR_NULL,
        "why": TEXT_OR_NULL,
        "shelved_until": TIME,
        "explained_by": or_null(ALARM),
        "title": TEXT,
        "consequence": TEXT,
        "causes": TEXTS,
        "action": TEXT,
    }


def _minute() -> Schema:
    spread = or_null(ref("spread"))
    return {
        "number": described(COUNT, "counts them without a gap"),
        "dropped": described(COUNT, "how many were given up, the broker being away"),
        "covered": QUANTITY,
        "polls": COUNT,
        "good": COUNT,
        "dp": spread,
        "header": spread,
        "blower_running": QUANTITY,
    }


# What a text in an event stands for, by the name of its field.
_NAMED: dict[str, Schema] = {
    "priority": ref("priority"),
    "quality": ref("quality"),
    "mode": ref("mode"),
    "kind": one_of(RunKind),
    "outlook": one_of(Outlook),
    "identity": described(one_of(Identity), "how far it is known who asked"),
}


# And what some kinds of field become.
_OF_KIND: dict[Any, Schema] = {
    Reason: _REASON,
    tuple[Reason, ...]: {"reasons": TEXTS, "reason_codes": array_of(CODE)},
    tuple[PointChange, ...]: {"points": POINTS},
}


def _event(body: Any) -> Schema:
    kinds = get_type_hints(body)
    content: Schema = {"event": {"const": body.name}}
    for field in fields(body):
        content |= _event_field(field.name, kinds[field.name])
    if body is SettingChanged:
        content["change"] = described(TEXT, "the change in words")
    return _whole("event", " ".join((body.__doc__ or "").split()).replace("``", "`"), content)


def _event_field(name: str, kind: Any) -> Schema:
    if kind in _OF_KIND:
        return _OF_KIND[kind]
    if name.endswith("_utc_s"):
        return {name.removesuffix("_s"): TIME}
    ending = unit_ending(name)
    if ending is not None:
        return {name.removesuffix(ending): QUANTITY}
    return {name: _NAMED.get(name) or _plain(kind)}


_PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}


def _plain(kind: Any) -> Schema:
    parts = get_args(kind)
    if Ellipsis in parts:
        return array_of(_plain(parts[0]))
    kinds = [_PLAIN[each] for each in parts or (kind,)]
    return {"type": kinds[0] if len(kinds) == 1 else kinds}


_FIELD_TYPES: dict[FieldType, Schema] = {
    FieldType.ALARM: ALARM,
    FieldType.FLAG: FLAG,
    FieldType.WHOLE: {"type": "integer"},
    FieldType.WHOLES: array_of({"type": "integer"}),
    FieldType.NUMBER: NUMBER,
    FieldType.DURATION: NUMBER,
    FieldType.LABEL: TEXT,
    FieldType.TEXT: {**TEXT, "maxLength": LONGEST_TEXT},
}


def _field(field: Field) -> Schema:
    if field.choices is None:
        return _FIELD_TYPES[field.value_type]
    return ref("mode") if field.choices is Mode else one_of(field.choices)


def _request(kind: RequestKind) -> Schema:
    """Unknown fields are refused, so here they are not allowed."""
    content = {field.name: _field(field) for field in kind.fields}
    optional = [each.name for each in kind.fields if each.optional or each.only_with is not None]
    label: Schema = {**TEXT, "maxLength": LONGEST_LABEL}
    head: Schema = {
        "id": described(
            {**TEXT, "minLength": 1, "maxLength": LONGEST_LABEL},
            "new for each request of the same asker; sent twice it acts once",
        ),
        "request": {"const": kind.name},
        "by": described(label, "who asks, where the topic does not say it"),
        "utc": described(
            {**TEXT, "format": "date-time"},
            "when it was sent; may be left out where the message expires (MQTT 5)",
        ),
    }
    schema = object_of({**head, **content}, optional=["by", "utc", *optional])
    return {**schema, "additionalProperties": False}


# --- plain mode as an AsyncAPI 3.0.0 document


_PARAMETERS: dict[str, Schema] = {
    "root": {"description": "`mqtt.root` of the settings", "default": "dustcake"},
    "collector": {"description": "name of the collector in the settings"},
    "alarm": {"description": "name of the alarm"},
    "level": {
        "description": "what may be asked for there",
        "enum": [Level.ACKNOWLEDGE.value, Level.ADJUST.value],
    },
    "name": {"description": "who asks; the broker's access rules can hold each user to its own"},
}


def document() -> Schema:
    """The document. Its schemas are those of ``messages_schema``, moved to where it has them."""
    schemas = json.dumps({**SHARED, **payload_schemas()})
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
            "schemas": json.loads(schemas.replace("#/$defs/", "#/components/schemas/")),
        },
    }


def _channel(kind: str, channel: Channel) -> Schema:
    address = f"{{root}}/{{collector}}/{channel.leaf}"
    return {
        "address": address,
        "description": channel.about,
        "parameters": {name: _PARAMETERS[name] for name in re.findall(r"{(\w+)}", address)},
        "messages": {kind: {"$ref": f"#/components/messages/{kind}"}},
    }


def _operation(kind: str, channel: Channel) -> Schema:
    operation: Schema = {
        "action": "receive" if channel.is_read else "send",
        "channel": {"$ref": f"#/channels/{kind}"},
        "bindings": {
            "mqtt": {"qos": channel.qos, "retain": channel.retain, "bindingVersion": "0.2.0"}
        },
    }
    if channel.is_read:
        operation["reply"] = {"channel": {"$ref": "#/channels/reply"}}
    return operation


def _message(kind: str) -> Schema:
    return {
        "name": kind,
        "contentType": "application/json",
        "payload": {"$ref": f"#/components/schemas/{kind}"},
        "bindings": {"mqtt": {"payloadFormatIndicator": 1, "bindingVersion": "0.2.0"}},
    }
