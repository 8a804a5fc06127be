"""Payloads of plain mode: JSON in UTF-8, each with ``schema``, ``utc`` and ``seq``.

``seq`` of an event is its number, which never skips. ``seq`` of everything else is the number of
the last event it takes account of, so that a subscriber can tell which is newer.

Parts that many payloads have are here, each beside its schema (JSON Schema, draft 2020-12).
"""

import json
from collections.abc import Iterable
from dataclasses import fields
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from dustcake.core.alarms.names import AlarmName, AlarmState, Priority
from dustcake.core.events import Event, SettingChanged
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, Reason
from dustcake.core.requests.kinds import Mode, PointChange, SetPoint
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Phase, State
from dustcake.publish.wording import number, sentence, set_point_words, setting_change
from dustcake.units import UNIT_OF_ENDING, PressureUnit, show, unit_ending

SCHEMA_VERSION = 1
Fields = dict[str, Any]
Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
TEXT_OR_NULL: Schema = {"type": ["string", "null"]}
COUNT: Schema = {"type": "integer", "minimum": 0}
FLAG: Schema = {"type": "boolean"}
FLAG_OR_NULL: Schema = {"type": ["boolean", "null"]}


def described(schema: Schema, description: str) -> Schema:
    """``schema``, with what it is in words, if there is anything to say."""
    return {**schema, "description": description} if description else schema


def ref(name: str) -> Schema:
    """A reference to one of ``SHARED``."""
    return {"$ref": f"#/$defs/{name}"}


def one_of(values: Iterable[StrEnum]) -> Schema:
    """One of the values of an enumeration."""
    return {"type": "string", "enum": [each.value for each in values]}


def one_or_null(values: Iterable[str]) -> Schema:
    """One of these texts, or null."""
    return {"enum": [*map(str, values), None]}


def or_null(schema: Schema) -> Schema:
    """``schema``, or null."""
    return {"anyOf": [schema, {"type": "null"}]}


def array_of(items: Schema, description: str = "") -> Schema:
    """An array of any length."""
    return described({"type": "array", "items": items}, description)


def object_of(properties: Schema, description: str = "", optional: Iterable[str] = ()) -> Schema:
    """An object. It may get more fields in time: whoever reads it passes over what it does not
    know."""
    left_out = set(optional)
    required = [name for name in properties if name not in left_out]
    schema: Schema = {"type": "object", "properties": properties, "required": required}
    return described(schema, description)


TEXTS = array_of(TEXT)
TIME: Schema = {
    "type": ["string", "null"],
    "format": "date-time",
    "description": "ISO 8601 in UTC; null while the clock is not set",
}
WHY, CODE = described(TEXT, "why, for people"), one_of(Because)
NUMBER: Schema = {"type": "number"}
NUMBER_OR_NULL: Schema = {"type": ["number", "null"]}
QUALITY, QUANTITY, MONEY = ref("quality"), ref("quantity"), ref("money")
CHOSEN, POINT, ALARM = ref("chosen"), ref("point"), ref("alarm_name")
POINTS = array_of(
    object_of({"set_point": one_of(SetPoint), "before": POINT, "after": POINT}),
    "what of the set points changes, or would",
)
_GOOD: Schema = {"const": Quality.GOOD.value}
_UNITS = ["Pa", "s", "h", "d", "Pa/h", "m3", "kg", "kWh", "m3/h", "kWh/m3"]
_CURRENCY: Schema = {
    "type": "string",
    "pattern": "^[A-Z]{3}(/kWh)?$",
    "description": "currency (ISO 4217)",
}
SHARED: Schema = {
    "quality": described(one_of(Quality), "NAMUR NE 107"),
    "quantity": object_of(
        {"value": NUMBER_OR_NULL, "unit": {"enum": _UNITS}, "quality": QUALITY},
        "a number with its unit and quality; null where it is not known",
    ),
    "money": object_of(
        {"value": NUMBER, "unit": _CURRENCY, "quality": QUALITY}, "an amount of money, or a price"
    ),
    "measured": object_of(
        {
            "value": NUMBER_OR_NULL,
            "unit": {"const": "Pa"},
            "quality": QUALITY,
            "reasons": described(TEXTS, "what makes it less than good"),
            "display": described(TEXT_OR_NULL, "as people read it, with its unit"),
            "utc": TIME,
        },
        "a measured pressure",
    ),
    "chosen": object_of(
        {"value": NUMBER, "unit": {"const": "Pa"}, "quality": _GOOD, "display": TEXT},
        "a pressure that somebody chose",
    ),
    "point": object_of(
        {"value": NUMBER, "unit": {"enum": ["Pa", "s"]}, "quality": _GOOD, "display": TEXT},
        "the value of a set point",
    ),
    "contact": object_of(
        {"value": FLAG_OR_NULL, "unit": {"type": "null"}, "quality": QUALITY},
        "a contact that is fitted, or a proof; null where it is not known",
    ),
    "spread": object_of(
        {"min": QUANTITY, "mean": QUANTITY, "max": QUANTITY},
        "least, mean and greatest good reading",
    ),
    "alarm_name": one_of(AlarmName),
    "alarm_state": described(one_of(AlarmState), "ISA-18.2 / IEC 62682, in plain words"),
    "mode": one_of(Mode),
    "phase": one_of(Phase),
    "priority": one_of(Priority),
}

_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


def utc_text(utc_s: float | None) -> str | None:
    """ISO 8601 in UTC to the millisecond; None while the clock is not known."""
    if utc_s is None:
        return None
    at = datetime.fromtimestamp(utc_s, UTC)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def payload(kind: str, utc_s: float | None, seq: int, content: Fields) -> bytes:
    """A whole payload."""
    head = {"schema": f"dustcake/{kind}/{SCHEMA_VERSION}", "utc": utc_text(utc_s), "seq": seq}
    return _ENCODER.encode({**head, **content}).encode()


def measured(sample: Sample, unit: PressureUnit) -> Fields:
    """A measured pressure: value in pascals (null where there is none), and as people read it."""
    return {
        "value": None if sample.pa is None else round(sample.pa, 2),
        "unit": "Pa",
        "quality": sample.quality.value,
        "reasons": [sentence(reason, unit) for reason in sample.reasons],
        "display": None if sample.pa is None else show(sample.pa, unit),
        "utc": utc_text(sample.at.utc_s),
    }


def pressure(pa: float, unit: PressureUnit) -> Fields:
    """A pressure that somebody chose, such as a set point: as good as it was chosen."""
    quality = Quality.GOOD.value
    return {"value": round(pa, 2), "unit": "Pa", "quality": quality, "display": show(pa, unit)}


def reason_fields(reason: Reason, unit: PressureUnit) -> Fields:
    """Why, for people and for programs."""
    return {"reason": sentence(reason, unit), "reason_code": reason.code.value}


def event_fields(event: Event, unit: PressureUnit) -> Fields:
    """An event's own fields, flat: numbers with their units in the names, reasons in words."""
    content: Fields = {"event": event.body.name}
    if isinstance(event.body, SettingChanged):
        content["change"] = setting_change(event.body, unit)
    for field in fields(event.body):
        content |= _event_field(field.name, getattr(event.body, field.name), unit)
    return content


def _event_field(name: str, value: Any, unit: PressureUnit) -> Fields:
    if isinstance(value, Reason):
        return reason_fields(value, unit)
    if name == "reasons":
        codes = [reason.code.value for reason in value]
        return {"reasons": [sentence(reason, unit) for reason in value], "reason_codes": codes}
    if name == "points" and isinstance(value, tuple):
        return {name: points_content(value, unit)}
    if name.endswith("_utc_s"):
        return {name.removesuffix("_s"): utc_text(value)}
    return {name: round(value, 6) if isinstance(value, float) else value}


def shown_set_points(setpoints: Setpoints, state: State) -> dict[str, float]:
    """The set points in force that are shown beside dP, in pascals."""
    present = effective(setpoints, state.set_point_overrides)
    cleaning, limits = present.cleaning, present.limits
    return {"low": cleaning.low_pa, "high": cleaning.high_pa, "replacement": limits.replacement_pa}


def points_content(points: Iterable[PointChange], unit: PressureUnit) -> list[Fields]:
    """What of the set points changes, or would: each with its value before and after."""
    return [
        {
            "set_point": each.set_point.value,
            "before": point_content(each.set_point, each.before, unit),
            "after": point_content(each.set_point, each.after, unit),
        }
        for each in points
    ]


def point_words(content: Fields) -> str:
    """One of ``points_content`` as people read it: ``high 4.0 inH2O -> 4.5 inH2O``."""
    before, after = content["before"]["display"], content["after"]["display"]
    return f"{set_point_words(content['set_point'])} {before} -> {after}"


def by_request_words(content: Fields) -> str:
    """A set point of the state that is not as in the settings file, as people read it."""
    name, when = set_point_words(content["set_point"]), content["utc"] or "time not known"
    return (
        f"{name} {content['in_force']['display']}, by request of {content['by']} ({when}); the "
        f"settings file has {content['settings']['display']}"
    )


def point_content(point: SetPoint, value: float, unit: PressureUnit) -> Fields:
    """The value of a set point with its unit, and as people read it."""
    in_si = UNIT_OF_ENDING[unit_ending(point) or ""]
    return {**quantity(value, in_si, digits=6), "display": number(point.value, value, unit)}


def event_content(event: Event, unit: PressureUnit, quality: Quality) -> Fields:
    """An event for the broker: numbers become objects with their unit and quality. ``quality`` is
    that of the dP reading when it happened; what was counted, timed or chosen is good."""
    content: Fields = {}
    for name, value in event_fields(event, unit).items():
        ending = unit_ending(name)
        if ending is None:
            content[name] = value
        else:
            how = quality if name == "dp_pa" else None
            content[name.removesuffix(ending)] = quantity(value, UNIT_OF_ENDING[ending], how)
    return content


def quantity(
    value: float | None,
    unit: str | None,
    quality: Quality | None = None,
    *,
    digits: int | None = None,
) -> Fields:
    """A number with its unit and quality, which is good, unless another is given or the number is
    not known. ``digits``: to how many decimals."""
    quality = quality or (Quality.FAILURE if value is None else Quality.GOOD)
    rounded = value if value is None or digits is None else round(value, digits)
    return {"value": rounded, "unit": unit, "quality": quality.value}
