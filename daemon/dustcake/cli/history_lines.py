"""The lines `dustcake history` prints: in words, as JSON, or as CSV."""

import csv
import json
from collections.abc import Iterable, Mapping
from typing import IO, Any

from dustcake.adapters.store import RecordedEvent
from dustcake.core.events import SettingChanged
from dustcake.publish.alarm_texts import ALARM_TEXTS
from dustcake.publish.payloads import event_fields, point_words, utc_text
from dustcake.units import PressureUnit

_CSV_COLUMNS = ("utc", "collector", "seq", "event", "by", "what")
# What a spreadsheet would take for a formula, were somebody to write it in a note.
_FORMULA = ("=", "+", "-", "@")


def fields_of(one: RecordedEvent, units: Mapping[str, PressureUnit]) -> dict[str, Any]:
    """Its fields, with reasons in words; a collector no longer in the settings has no unit of its
    own there."""
    event = one.event()
    if event is None:
        return {"event": one.name, **one.fields}
    return event_fields(event, units.get(one.collector, PressureUnit.PA))


def json_line(one: RecordedEvent, fields: Mapping[str, Any]) -> str:
    """One JSON object."""
    head = {
        "collector": one.collector,
        "seq": one.seq,
        "utc": utc_text(one.utc_s),
        "found_utc": utc_text(one.found_utc_s),
        "start": one.start,
        "mono_s": round(one.mono_s, 3),
    }
    return json.dumps({**head, **fields}, ensure_ascii=False)


def words_line(one: RecordedEvent, fields: Mapping[str, Any]) -> str:
    """One line for people."""
    name = str(fields["event"]).replace("_", " ")
    line = f"{_at(one):25}  {one.collector}  {one.seq:>6}  {name:18}  {_what(fields)}"
    return line.rstrip()


def print_csv(
    events: Iterable[RecordedEvent], units: Mapping[str, PressureUnit], out: IO[str]
) -> None:
    """A table for spreadsheets: RFC 4180, a line of column names first."""
    writer = csv.writer(out)
    writer.writerow(_CSV_COLUMNS)
    for one in events:
        fields = fields_of(one, units)
        by = str(fields.pop("by", "") or "")
        cells = (_at(one), one.collector, one.seq, fields["event"], by, _what(fields))
        writer.writerow([_plain(cell) for cell in cells])


def _plain(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


def _at(one: RecordedEvent) -> str:
    if one.utc_s is not None:
        return f"{utc_text(one.utc_s)}"
    if one.found_utc_s is not None:
        return f"{utc_text(one.found_utc_s)}~"
    return f"start {one.start}, {one.mono_s:.1f} s"


def _what(fields: Mapping[str, Any]) -> str:
    """All but the event's name."""
    told = {name: value for name, value in fields.items() if name != "event"}
    alarm = next((a for a in ALARM_TEXTS if a.value == told.get("alarm")), None)
    if alarm is not None:
        told["alarm"] = ALARM_TEXTS[alarm].title
    if isinstance(told.get("points"), list):  # of a forecast they are a number
        told["points"] = [point_words(each) for each in told["points"]]
    if fields["event"] == SettingChanged.name:  # that says it all
        told = {"change": told["change"], "by": told.get("by")}
    reason = told.pop("reason", None)
    parts = [
        f"{key.replace('_', ' ')} {_value(value)}"
        for key, value in told.items()
        if not key.endswith(("reason_code", "reason_codes")) and value not in (None, "", [], ())
    ]
    return "; ".join([*parts, *([str(reason)] if reason else [])])


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
