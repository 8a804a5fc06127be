"""The schema of each payload."""

from types import NoneType
from typing import Any, get_args, get_origin, get_type_hints

from dustcake.core.cleaning import Kind
from dustcake.core.events import Body, SettingChanged
from dustcake.core.permissives import Met
from dustcake.core.reasons import Because, Reason
from dustcake.core.requests import AlarmAction, Entry
from dustcake.publish.asking import LONGEST_LABEL, LONGEST_TEXT, NAMED, REQUESTS
from dustcake.publish.messages.parts import (
    COUNT,
    FLAG,
    FLAG_OR_NULL,
    REASON,
    SHARED,
    TEXT,
    TEXT_OR_NULL,
    TEXTS,
    TIME,
    Schema,
    fields,
    one_of,
    or_null,
    ref,
    whole,
)


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
                **{
                    name: or_null(contact)
                    for name in ("smoke", "door_open", "process_running", "stop", "drum_full")
                },
            },
        ),
        "state": whole("state", "what is being done, and why", _state()),
        "alarm": whole("alarm", "one alarm", _alarm()),
        "event": {"oneOf": [_event(body) for body in get_args(Body)]},
        "minute": whole("minute", "statistics of one minute", _minute()),
        "reply": whole(
            "reply",
            "what became of a request",
            {
                "id": TEXT_OR_NULL,
                "request": {"enum": [*REQUESTS, None]},
                "accepted": FLAG,
                "reason": TEXT,
                "reason_code": {"enum": [*(each.value for each in Because), "not_understood"]},
            },
        ),
        "request": {
            "oneOf": [*(_request(name) for name in REQUESTS), _request("record", upkeep_done=True)]
        },
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
        "cleaning": {"enum": [*(each.value for each in Kind), None]},
        **REASON,
        "permissives": {"type": "array", "items": permissive},
        "quality": ref("quality"),
        "quality_reasons": TEXTS,
        "quality_reason_codes": {"type": "array", "items": one_of(Because)},
        "blower_running": FLAG_OR_NULL,
        "valves": {
            "type": "array",
            "items": fields({"valve": {"type": "integer", "minimum": 1}, "pulses": COUNT}),
        },
        "last_valve": {"type": ["integer", "null"], "minimum": 1},
        "set_points": fields(
            {"low": ref("chosen"), "high": ref("chosen"), "replacement": ref("chosen")}
        ),
        "zero_offset": ref("chosen"),
        "filters_changed": {**TIME, "description": "the last change on record"},
        "upkeep": {
            "type": "array",
            "items": fields({"upkeep": TEXT, "due": FLAG, "done": TIME, "text": TEXT}),
        },
        "alarms": {"type": "array", "items": ref("alarm_name")},
        "alarms_out_of_view": {"type": "array", "items": fields(out_of_view)},
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
    "kind": one_of(Kind),
}


def _event(body: Any) -> Schema:
    content: Schema = {"event": {"const": body.name}}
    if body is SettingChanged:
        content["change"] = {**TEXT, "description": "the whole of it, for people"}
    for name, kind in get_type_hints(body).items():
        if name == "name":
            continue
        if kind is Reason:
            content |= REASON
        elif name == "reasons":
            content["reasons"] = TEXTS
            content["reason_codes"] = {"type": "array", "items": one_of(Because)}
        elif name.endswith(("_pa", "_s")):
            content[name.removesuffix("_pa").removesuffix("_s")] = ref("quantity")
        else:
            content[name] = _NAMED.get(name) or _plain(kind)
    return whole("event", " ".join((body.__doc__ or "").split()).replace("``", "`"), content)


_PLAIN = {str: "string", int: "integer", bool: "boolean", NoneType: "null"}


def _plain(kind: Any) -> Schema:
    if get_origin(kind) is tuple:
        return {"type": "array", "items": _plain(get_args(kind)[0])}
    kinds = [_PLAIN[each] for each in get_args(kind) or (kind,)]
    return {"type": kinds[0] if len(kinds) == 1 else kinds}


def _request(name: str, *, upkeep_done: bool = False) -> Schema:
    """Unknown fields are refused, so here they are not allowed."""
    label = {**TEXT, "minLength": 1, "maxLength": LONGEST_LABEL}
    content: Schema = {
        "id": {**label, "description": "new for each request; sent twice it acts once"},
        "request": {"const": name},
        "by": {**TEXT, "maxLength": LONGEST_LABEL, "description": "who asks"},
    }
    optional = {"by"} - ({"by"} if name in NAMED else set())
    if name == "mode":
        content["mode"] = ref("mode")
    elif name == "zero":
        content["blower_off_confirmed"] = FLAG
        optional.add("blower_off_confirmed")
    elif name == "blower":
        content["run"] = FLAG
    elif name in ("filter_change", "record"):
        content |= _log_book(name, upkeep_done=upkeep_done)
        optional |= {"note", "valves"}
    else:
        content["alarm"] = ref("alarm_name")
    if name in tuple(AlarmAction):
        content["why"] = {**TEXT, "maxLength": LONGEST_TEXT}
        optional.add("why")
    if name == AlarmAction.SHELVE:
        content["for_s"] = {"type": "number"}
    return {**fields(content, optional=optional), "additionalProperties": False}


def _log_book(name: str, *, upkeep_done: bool) -> Schema:
    """An entry of upkeep names what has been done, and no other entry does."""
    note = {"note": {**TEXT, "maxLength": LONGEST_TEXT}}
    if name == "filter_change":
        valves = {"type": "array", "items": {"type": "integer", "minimum": 1}}
        return {**note, "valves": {**valves, "description": "of the rows changed; left out: all"}}
    if upkeep_done:
        which = {**TEXT, "maxLength": LONGEST_LABEL, "description": "what has been done"}
        return {"entry": {"const": Entry.UPKEEP_DONE.value}, **note, "upkeep": which}
    return {"entry": {"enum": [e.value for e in Entry if e is not Entry.UPKEEP_DONE]}, **note}
