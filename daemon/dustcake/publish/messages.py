"""The messages of plain mode for programs: schemas of the payloads, and the AsyncAPI document."""

from types import NoneType
from typing import Any, get_args, get_type_hints

from dustcake.core.cleaning.state import Met, RunKind
from dustcake.core.events import EVENTS, SettingChanged
from dustcake.core.filter_life.forecast import Outlook
from dustcake.core.inputs import CONTACT_NAMES
from dustcake.core.reasons import Because, Reason
from dustcake.core.record import record
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
from dustcake.publish.payloads import SCHEMA_VERSION
from dustcake.publish.schema_parts import (
    COUNT,
    FLAG,
    FLAG_OR_NULL,
    POINTS,
    REASON,
    SHARED,
    TEXT,
    TEXT_OR_NULL,
    TEXTS,
    TIME,
    Schema,
    array_of,
    fields,
    one_of,
    or_null,
    ref,
    whole,
)
from dustcake.units import unit_ending


def payload_schemas() -> Schema:
    """The schema of each kind of payload, by the name of its kind."""
    contact, measured = ref("contact"), ref("measured")
    return {
        "online": whole("online", "whether the daemon is there", {"online": FLAG}),
        "measurement": whole(
            "measurement",
            "the reading now; null for what is not fitted",
            {
                "dp": measured,
                "header": or_null(measured),
                "blower_running": contact,
                **{name: or_null(contact) for name in CONTACT_NAMES if name != "blower_running"},
            },
        ),
        "state": whole("state", "what is being done, and why", _state()),
        "alarm": whole("alarm", "one alarm", _alarm()),
        "event": {"oneOf": [_event(body) for body in EVENTS.values()]},
        "minute": whole("minute", "statistics of one minute", _minute()),
        "reply": whole(
            "reply",
            "what became of a request",
            {
                "id": TEXT_OR_NULL,
                "request": {"enum": [*REQUESTS, None]},
                "accepted": FLAG,
                "reason": TEXT,
                "reason_code": one_of(Because),
                "change": {
                    "type": ["integer", "null"],
                    "description": "of set points: the number by which it is confirmed",
                },
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


def _state() -> Schema:
    permissive = fields(
        {
            "name": TEXT,
            "met": one_of(Met),
            "reason": TEXT_OR_NULL,
            "reason_code": {"enum": [*(each.value for each in Because), None]},
        }
    )
    out_of_view = {"alarm": ref("alarm_name"), "state": ref("alarm_state"), "active": FLAG}
    return {
        "mode": ref("mode"),
        "phase": ref("phase"),
        "cleaning": {"enum": [*(each.value for each in RunKind), None]},
        **REASON,
        "permissives": array_of(permissive),
        "quality": ref("quality"),
        "quality_reasons": TEXTS,
        "quality_reason_codes": array_of(one_of(Because)),
        "blower_running": FLAG_OR_NULL,
        "valves": array_of(fields({"valve": {"type": "integer", "minimum": 1}, "pulses": COUNT})),
        "last_valve": {"type": ["integer", "null"], "minimum": 1},
        "set_points": fields(
            {name: ref("chosen") for name in ("low", "high", "replacement")}, "those in force"
        ),
        "interval": {**ref("point"), "description": "from pulse to pulse, in force"},
        "on_time": {**ref("point"), "description": "of a valve, in force"},
        "set_points_by_request": array_of(
            fields(
                {
                    "set_point": one_of(SetPoint),
                    "in_force": ref("point"),
                    "settings": {**ref("point"), "description": "what the settings file has"},
                    "by": TEXT,
                    "utc": TIME,
                }
            ),
            "set points that are not as in the settings file",
        ),
        "change_held": {
            **or_null(fields({"change": COUNT, "points": POINTS, "by": TEXT, "until": TIME})),
            "description": "a change of set points that waits for its confirmation",
        },
        "filter_life": life_schema(),
        "air": air_schema(),
        "zero_offset": ref("chosen"),
        "filters_changed": TIME,
        "upkeep": array_of(fields({"upkeep": TEXT, "due": FLAG, "done": TIME, "text": TEXT})),
        "alarms": array_of(ref("alarm_name")),
        "alarms_out_of_view": array_of(fields(out_of_view)),
    }


def _alarm() -> Schema:
    return {
        "alarm": ref("alarm_name"),
        "state": ref("alarm_state"),
        "active": {**FLAG, "description": "of what it watches, also while it is out of view"},
        "acknowledged": FLAG,
        "priority": ref("priority"),
        "enabled": FLAG,
        "latching": FLAG,
        "since": TIME,
        **REASON,
        "by": TEXT_OR_NULL,
        "why": TEXT_OR_NULL,
        "shelved_until": TIME,
        "explained_by": or_null(ref("alarm_name")),
        "title": TEXT,
        "consequence": TEXT,
        "causes": TEXTS,
        "action": TEXT,
    }


def _minute() -> Schema:
    quantity, spread = ref("quantity"), or_null(ref("spread"))
    return {
        "number": {**COUNT, "description": "counts them without a gap"},
        "dropped": {**COUNT, "description": "how many were given up, the broker being away"},
        "covered": quantity,
        "polls": COUNT,
        "good": COUNT,
        "dp": spread,
        "header": spread,
        "blower_running": quantity,
    }


# What a text in an event stands for, by the name of its field.
_NAMED: dict[str, Schema] = {
    "priority": ref("priority"),
    "quality": ref("quality"),
    "mode": ref("mode"),
    "kind": one_of(RunKind),
    "outlook": one_of(Outlook),
    "identity": {**one_of(Identity), "description": "how far it is known who asked"},
}


def _event(body: Any) -> Schema:
    content: Schema = {"event": {"const": body.name}}
    for name, kind in get_type_hints(body).items():
        if name == "name":
            continue
        if kind is Reason:
            content |= REASON
        elif name == "reasons":
            content["reasons"] = TEXTS
            content["reason_codes"] = array_of(one_of(Because))
        elif kind == tuple[PointChange, ...]:
            content["points"] = POINTS
        elif name.endswith("_utc_s"):
            content[name.removesuffix("_s")] = TIME
        elif (ending := unit_ending(name)) is not None:
            content[name.removesuffix(ending)] = ref("quantity")
        else:
            content[name] = _NAMED.get(name) or _plain(kind)
    if body is SettingChanged:
        content["change"] = {**TEXT, "description": "the change in words"}
    return whole("event", " ".join((body.__doc__ or "").split()).replace("``", "`"), content)


_PLAIN = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}


def _plain(kind: Any) -> Schema:
    parts = get_args(kind)
    if Ellipsis in parts:
        return array_of(_plain(parts[0]))
    kinds = [_PLAIN[each] for each in parts or (kind,)]
    return {"type": kinds[0] if len(kinds) == 1 else kinds}


_FIELD_TYPES: dict[FieldType, Schema] = {
    FieldType.ALARM: ref("alarm_name"),
    FieldType.FLAG: FLAG,
    FieldType.WHOLE: {"type": "integer"},
    FieldType.WHOLES: array_of({"type": "integer"}),
    FieldType.NUMBER: {"type": "number"},
    FieldType.DURATION: {"type": "number"},
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
    label = {**TEXT, "minLength": 1, "maxLength": LONGEST_LABEL}
    head: Schema = {
        "id": {
            **label,
            "description": "new for each request of the same asker; sent twice it acts once",
        },
        "request": {"const": kind.name},
        "by": {
            **TEXT,
            "maxLength": LONGEST_LABEL,
            "description": "who asks, where the topic does not say it",
        },
        "utc": {
            **TEXT,
            "format": "date-time",
            "description": "when it was sent; may be left out where the message expires (MQTT 5)",
        },
    }
    schema = fields({**head, **content}, optional=["by", "utc", *optional])
    return {**schema, "additionalProperties": False}


# --- plain mode as an AsyncAPI 3.0.0 document


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
