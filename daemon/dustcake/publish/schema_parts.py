"""Building blocks of the schemas (JSON Schema, draft 2020-12)."""

from collections.abc import Iterable
from enum import StrEnum
from typing import Any

from dustcake.core.alarms.names import AlarmName, AlarmState, Priority
from dustcake.core.reading import Quality
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import Mode, SetPoint
from dustcake.core.state import Phase
from dustcake.publish.payloads import SCHEMA_VERSION

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
TEXT_OR_NULL: Schema = {"type": ["string", "null"]}
COUNT: Schema = {"type": "integer", "minimum": 0}
FLAG: Schema = {"type": "boolean"}
FLAG_OR_NULL: Schema = {"type": ["boolean", "null"]}
TIME: Schema = {
    "type": ["string", "null"],
    "format": "date-time",
    "description": "ISO 8601 in UTC; null while the clock is not set",
}


def ref(name: str) -> Schema:
    """A reference to one of ``SHARED``."""
    return {"$ref": f"#/$defs/{name}"}


def one_of(values: Iterable[StrEnum]) -> Schema:
    """One of the values of an enumeration."""
    return {"type": "string", "enum": [each.value for each in values]}


def fields(properties: Schema, description: str = "", optional: Iterable[str] = ()) -> Schema:
    """An object. It may get more fields in time: whoever reads it passes over what it does not
    know."""
    left_out = set(optional)
    schema: Schema = {
        "type": "object",
        "properties": properties,
        "required": [name for name in properties if name not in left_out],
    }
    return {**schema, "description": description} if description else schema


def array_of(items: Schema, description: str = "") -> Schema:
    """An array of any length."""
    schema: Schema = {"type": "array", "items": items}
    return {**schema, "description": description} if description else schema


TEXTS = array_of(TEXT)


def or_null(schema: Schema) -> Schema:
    """``schema``, or null."""
    return {"anyOf": [schema, {"type": "null"}]}


def whole(kind: str, description: str, content: Schema) -> Schema:
    """A payload: its head, then ``content``."""
    head: Schema = {
        "schema": {"const": f"dustcake/{kind}/{SCHEMA_VERSION}"},
        "utc": TIME,
        "seq": {
            **COUNT,
            "description": "of an event its number, which never skips; of anything else the "
            "number of the last event it takes account of",
        },
    }
    return fields({**head, **content}, description)


REASON: Schema = {
    "reason": {**TEXT, "description": "why, for people"},
    "reason_code": one_of(Because),
}

UNITS = ("Pa", "s", "h", "d", "Pa/h", "m3", "kg", "kWh", "m3/h", "kWh/m3")

POINTS = array_of(
    fields({"set_point": one_of(SetPoint), "before": ref("point"), "after": ref("point")}),
    "what of the set points changes, or would",
)

SHARED: Schema = {
    "quality": {**one_of(Quality), "description": "NAMUR NE 107"},
    "quantity": fields(
        {
            "value": {"type": ["number", "null"]},
            "unit": {"enum": list(UNITS)},
            "quality": ref("quality"),
        },
        "a number with its unit and quality; null where it is not known",
    ),
    "money": fields(
        {
            "value": {"type": "number"},
            "unit": {
                "type": "string",
                "pattern": "^[A-Z]{3}(/kWh)?$",
                "description": "currency (ISO 4217)",
            },
            "quality": ref("quality"),
        },
        "an amount of money, or a price",
    ),
    "measured": fields(
        {
            "value": {"type": ["number", "null"]},
            "unit": {"const": "Pa"},
            "quality": ref("quality"),
            "reasons": {**TEXTS, "description": "what makes it less than good"},
            "display": {**TEXT_OR_NULL, "description": "as people read it, with its unit"},
            "utc": TIME,
        },
        "a measured pressure",
    ),
    "chosen": fields(
        {
            "value": {"type": "number"},
            "unit": {"const": "Pa"},
            "quality": {"const": Quality.GOOD.value},
            "display": TEXT,
        },
        "a pressure that somebody chose",
    ),
    "point": fields(
        {
            "value": {"type": "number"},
            "unit": {"enum": ["Pa", "s"]},
            "quality": {"const": Quality.GOOD.value},
            "display": TEXT,
        },
        "the value of a set point",
    ),
    "contact": fields(
        {"value": FLAG_OR_NULL, "unit": {"type": "null"}, "quality": ref("quality")},
        "a contact that is fitted, or a proof; null where it is not known",
    ),
    "spread": fields(
        {"min": ref("quantity"), "mean": ref("quantity"), "max": ref("quantity")},
        "least, mean and greatest good reading",
    ),
    "alarm_name": one_of(AlarmName),
    "alarm_state": {**one_of(AlarmState), "description": "ISA-18.2 / IEC 62682, in plain words"},
    "mode": one_of(Mode),
    "phase": one_of(Phase),
    "priority": one_of(Priority),
}
