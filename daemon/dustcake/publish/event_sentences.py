"""What happened, as people read it: one sentence for each event, for every screen and list.

Numbers are in the units people chose, times in the time zone of the site, alarms and findings have
their titles. Nothing is said of what is not known.
"""

from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime, tzinfo
from functools import singledispatch
from typing import Any

from dustcake.core import events
from dustcake.core.pulse_response.state import FindingName
from dustcake.core.reasons import Because, Reason
from dustcake.core.record import record
from dustcake.core.requests.kinds import Entry, Identity
from dustcake.publish.alarm_texts import alarm_title
from dustcake.publish.life_and_air import life_words
from dustcake.publish.payloads import point_words, points_content
from dustcake.publish.wording import (
    duration,
    filled,
    label,
    number,
    sentence,
    setting_change,
    spoken,
)
from dustcake.units import PressureUnit, show


@record
class Display:
    """How people want to read: ``unit`` of dP, and the time ``zone`` of the site (None: that of
    this computer)."""

    unit: PressureUnit
    zone: tzinfo | None = None

    def pressure(self, pa: float) -> str:
        """A dP."""
        return show(pa, self.unit)

    def time(self, utc_s: float) -> str:
        """The time to the second, with the name of the zone: ``2026-05-04 08:00:12 CEST``."""
        at = datetime.fromtimestamp(utc_s, UTC).astimezone(self.zone)
        return f"{at:%Y-%m-%d %H:%M:%S %Z}"

    def because(self, *reasons: Reason) -> str:
        """Reasons, in one line."""
        return "; ".join(sentence(reason, self.unit) for reason in reasons)


def unknown_event_sentence(name: str, fields: Mapping[str, Any], display: Display) -> str:
    """The sentence of an event that another version recorded and this one cannot read: what there
    is of its fields."""
    parts = [
        f"{label(field)} {_plain(field, value, display)}"
        for field, value in fields.items()
        if value not in (None, "", [], (), {}) and field != "event"
    ]
    return _with(spoken(name), ", ".join(parts))


def _plain(field: str, value: Any, display: Display) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if field.endswith("_utc_s") and isinstance(value, int | float):
        return display.time(value)
    if isinstance(value, int | float):
        return number(field, value, display.unit)
    if isinstance(value, Mapping):
        inner = (f"{label(name)} {_plain(name, each, display)}" for name, each in value.items())
        return f"({', '.join(inner)})"
    if isinstance(value, list | tuple):
        return ", ".join(_plain(field, each, display) for each in value)
    return "not known" if value is None else spoken(str(value))


def _with(what: str, *more: str) -> str:
    """``what``, and what there is to add to it."""
    return ": ".join([what, *filter(None, more)])


def _by(who: str, lead: str = "", identity: Identity | None = None) -> str:
    given = " (name as given)" if identity is Identity.CLAIMED else ""
    return f"{lead} by {who}{given}" if who else ""


def _noted(note: str) -> str:
    return f', noting "{note}"' if note else ""


@singledispatch
def event_sentence(body: events.Body, display: Display) -> str:
    """What happened, in one line, without time and number."""
    values = {each.name: getattr(body, each.name) for each in fields(body)}
    values["by"] = _by(values.get("by", ""))
    return filled(_SENTENCES[type(body)], values, display.unit).removesuffix(": ")


_SENTENCES: dict[type[events.Body], str] = {
    events.Stopped: "daemon stopped in an orderly way",
    events.PulseFailed: "pulse of valve {valve} failed: {detail}",
    events.PulseInterrupted: "pulse of valve {valve} was interrupted by a restart; it is not "
    "repeated",
    events.DemandSet: "demand contact of the sequencer board {closed:closed|opened}",
    events.OutputsChanged: "outputs {healthy:proved|lost}: {detail}",
    events.ModeSelected: "mode {mode} selected{by}",
    events.ZeroTaken: "zero taken{by}: offset {offset_pa}, before {previous_offset_pa}",
    events.BlowerRunSet: "blower run request {run:set|withdrawn}: {reason!s}",
    events.JournalChanged: "the journal can {writable:be written again|no longer be written}: "
    "{detail}",
    events.ChangeLapsed: "change {change} of set points, requested{by}, given up: {reason}",
    events.UpkeepDue: "upkeep due: {upkeep!s}: {text!s}",
}


@event_sentence.register
def _started(body: events.Started, _display: Display) -> str:
    if body.downtime_s is None:
        return "daemon started"
    return f"daemon started, after {duration(body.downtime_s)} without it"


@event_sentence.register
def _cleaning_started(body: events.CleaningStarted, display: Display) -> str:
    what = f"{_RUNS.get(body.kind, body.kind)} started{_at_dp(body.dp_pa, body.reason, display)}"
    return _with(what, display.because(body.reason))


@event_sentence.register
def _cleaning_stopped(body: events.CleaningStopped, display: Display) -> str:
    pulses = "1 pulse" if body.pulses == 1 else f"{body.pulses} pulses"
    what = (
        f"{_RUNS.get(body.kind, body.kind)} stopped after {pulses} in {duration(body.duration_s)}"
        f"{_at_dp(body.dp_pa, body.reason, display)}"
    )
    return _with(what, display.because(body.reason))


_RUNS = {
    "on_demand": "cleaning on demand",
    "timed": "timed cleaning",
    "fallback": "timed cleaning without a reading",
    "downtime": "downtime cleaning",
}


def _at_dp(dp_pa: float | None, reason: Reason, display: Display) -> str:
    """dP, unless the reason says it."""
    if dp_pa is None or "dp_pa" in dict(reason.values):
        return ""
    return f" at dP {display.pressure(dp_pa)}"


@event_sentence.register
def _pulse_fired(body: events.PulseFired, display: Display) -> str:
    dp = "" if body.dp_pa is None else f", dP {display.pressure(body.dp_pa)}"
    early = ", ended early" if body.ended_early else ""
    return f"valve {body.valve} pulsed for {duration(body.on_time_s)}{early}: no. {body.count}{dp}"


@event_sentence.register
def _alarm_changed(body: events.AlarmChanged, display: Display) -> str:
    what = f'alarm "{alarm_title(body.alarm)}" {_ALARM_STATES.get(body.state, body.state)}'
    if body.state == "unacknowledged":
        what += f", {body.priority} priority"
    elif body.state in _OUT_OF_VIEW and body.active is not None:
        what += f" (condition {'active' if body.active else 'not active'})"
    why = f' ("{body.why}")' if body.why else ""
    reason = display.because(body.reason)
    said = body.reason.code is Because.DONE or reason in what
    return _with(f"{what}{_by(body.by)}{why}", "" if said else reason)


_OUT_OF_VIEW = {
    "shelved": "shelved",
    "suppressed_by_design": "suppressed",
    "out_of_service": "taken out of service",
}
_ALARM_STATES = {
    "normal": "back to normal",
    "unacknowledged": "raised",
    "acknowledged": "acknowledged",
    "returned": "no longer active, not acknowledged",
    "latched_unacknowledged": "no longer active, not acknowledged, latched until it is reset",
    "latched": "no longer active, latched until it is reset",
    **_OUT_OF_VIEW,
}


@event_sentence.register
def _quality_changed(body: events.QualityChanged, display: Display) -> str:
    what = f"quality of the dP reading: {spoken(body.quality)}"
    return f"{what} ({display.because(*body.reasons)})" if body.reasons else what


@event_sentence.register
def _finding_changed(body: events.FindingChanged, display: Display) -> str:
    where = f", valve {body.valve}" if body.valve else ""
    what = f"{_FINDINGS.get(body.finding, body.finding)}{where}"
    if not body.found:
        return f"no longer found: {what}"
    return _with(f"found: {what}", display.because(body.reason))


_FINDINGS: dict[str, str] = {
    FindingName.VALVE_DOES_NOT_FIRE: "valve does not fire",
    FindingName.VALVE_STUCK_OPEN: "valve stays open",
    FindingName.HEADER_WEAK: "header pressure weak",
    FindingName.HEADER_SLOW: "header slow to recover",
    FindingName.HEADER_NOT_REFILLED: "header not refilled",
    FindingName.FILTER_TORN: "filter torn or unseated",
    FindingName.ROW_NOT_RECOVERING: "row no longer recovers",
}


@event_sentence.register
def _zero_abandoned(body: events.ZeroAbandoned, display: Display) -> str:
    return _with(f"zero not taken{_by(body.by, ' as requested')}", display.because(body.reason))


@event_sentence.register
def _blower_changed(body: events.BlowerChanged, _display: Display) -> str:
    if body.running is None:
        return "not known whether the blower runs"
    return f"blower {'running' if body.running else 'off'}"


@event_sentence.register
def _request_answered(body: events.RequestAnswered, display: Display) -> str:
    name = spoken(body.request)
    became = "accepted" if body.accepted else "refused"
    what = f"request {name}{_by(body.by, identity=body.identity)} {became}".replace("  ", " ")
    reason = "" if body.reason.code is Because.DONE else display.because(body.reason)
    if body.change is not None:
        what = f"{what} (change {body.change})"
    points = ", ".join(map(point_words, points_content(body.points, display.unit)))
    return _with(what, "; ".join(filter(None, [points, reason])))


@event_sentence.register
def _filters_changed(body: events.FiltersChanged, _display: Display) -> str:
    rows = f"filters of row{'s' if len(body.valves) > 1 else ''} {', '.join(map(str, body.valves))}"
    ran = f"after {duration(body.blower_run_s)} of blower running time"
    recorded = _by(body.by, ", recorded")
    return f"{rows if body.valves else 'all filters'} changed {ran}{recorded}{_noted(body.note)}"


@event_sentence.register
def _log_entry(body: events.LogEntry, _display: Display) -> str:
    if body.entry == Entry.NOTE:
        return _with(f"note{_by(body.by)}", body.note)
    what = _with(_ENTRIES.get(body.entry, spoken(body.entry)), body.upkeep)
    return f"{what}{_by(body.by, ', recorded')}{_noted(body.note)}"


_ENTRIES: dict[str, str] = {
    Entry.ZEROING: "transmitter zeroed at the transmitter itself",
    Entry.UPKEEP_DONE: "upkeep done",
}


@event_sentence.register
def _setting_changed(body: events.SettingChanged, display: Display) -> str:
    return f"setting changed{_by(body.by)}: {setting_change(body, display.unit)}"


@event_sentence.register
def _filter_life_changed(body: events.FilterLifeChanged, display: Display) -> str:
    return f"filter life: {life_words(body, None, None, display.unit)}"


@event_sentence.register
def _air_used(body: events.AirUsed, display: Display) -> str:
    since = "" if body.from_utc_s is None else f" since {display.time(body.from_utc_s)}"
    free_air = f"{number('free_m3', body.free_m3, display.unit)} free air, "
    measured = f"{body.measured} pulses measured, " if body.measured else ""
    rated = f"{body.rated} pulses as rated, " if body.rated else ""
    ran = f"blower ran {duration(body.blower_run_s)}"
    return f"air of the pulses{since}: {free_air}{measured}{rated}{ran}"
