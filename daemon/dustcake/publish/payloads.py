"""Payloads of plain mode: JSON in UTF-8, each with ``schema``, ``utc`` and ``seq``.

``seq`` of an event is its number, which never skips. ``seq`` of everything else is the number of
the last event it takes account of, so that a subscriber can tell which is newer.
"""

import json
from collections.abc import Iterable
from dataclasses import fields
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from dustcake.core.events import Event, RequestAnswered, SettingChanged
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Reason
from dustcake.core.requests.kinds import PointChange, SetPoint
from dustcake.publish.wording import number, sentence, set_point_words, setting_change
from dustcake.units import UNIT_OF_ENDING, PressureUnit, show, unit_ending

SCHEMA_VERSION = 1
Fields = dict[str, Any]

_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


@lru_cache(maxsize=256)  # a message has the same time more than once
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


def contact(state: bool | None) -> Fields:
    """A contact or a proof that is fitted; null where it is not known."""
    return quantity(state, None)


def reason_fields(reason: Reason, unit: PressureUnit) -> Fields:
    """Why, for people and for programs."""
    return {"reason": sentence(reason, unit), "reason_code": reason.code.value}


def event_fields(event: Event, unit: PressureUnit) -> Fields:
    """An event's own fields, flat: numbers with their units in the names, reasons in words."""
    content: Fields = {"event": event.body.name}
    if isinstance(event.body, SettingChanged):
        content["change"] = setting_change(event.body, unit)
    for field in fields(event.body):
        value = getattr(event.body, field.name)
        if isinstance(value, Reason):
            content |= reason_fields(value, unit)
        elif field.name == "reasons":
            content["reasons"] = [sentence(reason, unit) for reason in value]
            content["reason_codes"] = [reason.code.value for reason in value]
        elif isinstance(event.body, RequestAnswered) and field.name == "points":
            content["points"] = points_content(value, unit)
        elif field.name.endswith("_utc_s"):
            content[field.name.removesuffix("_s")] = utc_text(value)
        else:
            content[field.name] = round(value, 6) if isinstance(value, float) else value
    return content


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
