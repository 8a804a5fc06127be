"""Requests as JSON: read from whoever asks, and answered."""

import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

from dustcake.core.events import Event, RequestAnswered
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    Mode,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RunBlower,
    SelectMode,
    SetPoint,
    SetZero,
)
from dustcake.publish.payloads import payload, points_content, reason_fields
from dustcake.units import PressureUnit

LONGEST_REQUEST_BYTES = 4096
LONGEST_LABEL = 64
LONGEST_TEXT = 200


@record
class ParsedRequest:
    """A request as it came: what, by whom as they say, their id for it, and when it was sent, as
    they say."""

    request: Request
    request_id: str
    by: str
    sent_utc_s: float | None = None


@record
class InvalidRequest:
    """Why something that came in is no request, with what would be one."""

    problem: str
    request_id: str | None = None

    @property
    def reason(self) -> Reason:
        """The same as a reason."""
        return because(Because.NOT_UNDERSTOOD, self.problem)


REQUESTS = (
    "mode",
    "zero",
    "acknowledge",
    *AlarmAction,
    "blower",
    "pulse",
    "filter_change",
    "record",
    "set_points",
    "confirm",
)

# Whoever hides an alarm or moves a set point answers for it, and a log book says who wrote in it.
NAME_REQUIRED = frozenset(
    {
        AlarmAction.SHELVE.value,
        AlarmAction.OUT_OF_SERVICE.value,
        "filter_change",
        "record",
        "set_points",
        "confirm",
    }
)
"""Requests for which whoever asks has to say who they are."""


def read_object(text: bytes) -> dict[str, Any] | InvalidRequest:
    """The JSON object in ``text``. One that says a thing twice is refused: which was meant?"""
    if len(text) > LONGEST_REQUEST_BYTES:
        return InvalidRequest(f"longer than {LONGEST_REQUEST_BYTES} bytes")
    try:
        # Decoded here, because the library would guess at other encodings.
        found = json.loads(text.decode(), object_pairs_hook=_once_each, parse_constant=_no_number)
    except _SaidTwiceError:
        return InvalidRequest("a name stands twice in one object")
    except (UnicodeDecodeError, ValueError, RecursionError):
        return InvalidRequest("not JSON in UTF-8")
    return found if isinstance(found, dict) else InvalidRequest("not a JSON object")


class _SaidTwiceError(Exception):
    pass


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise _SaidTwiceError
    return found


def _no_number(constant: str) -> None:
    raise ValueError(f"{constant} is not JSON")


def read_request(
    text: bytes, correlation_data: bytes | None = None
) -> ParsedRequest | InvalidRequest:
    """Read one request: a JSON object as ``request_in`` has it. One without an ``id`` has the
    correlation data it came with (MQTT 5) for it, if that is a text."""
    found = read_object(text)
    if isinstance(found, InvalidRequest):
        return found
    if correlation_data is not None and "id" not in found:
        found["id"] = _as_text(correlation_data)
    return request_in(found)


def _as_text(data: bytes) -> str:
    """The text that it is, or its hexadecimal digits: two that differ must not look the same."""
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return data.hex()
    return text if text.isprintable() else data.hex()


def request_in(fields: dict[str, Any]) -> ParsedRequest | InvalidRequest:
    """The request that ``fields`` make: ``request``, ``id``, optional ``by`` and ``utc``, and the
    fields of that request. Unknown ones are refused, so that a mistyped one is not silently
    ignored."""
    asked = dict(fields)
    request_id, by = asked.pop("id", None), asked.pop("by", "")
    if not _is_label(request_id) or not request_id:
        return InvalidRequest("`id` must be a text of 1 to 64 characters, new for each request")
    if not _is_label(by):
        return InvalidRequest("`by` must be a text of at most 64 characters", request_id)
    sent_utc_s = None
    if "utc" in asked:
        sent_utc_s = _utc_s(asked.pop("utc"))
        if sent_utc_s is None:
            return InvalidRequest(
                "`utc` must be a time with its zone, as 2026-05-04T06:00:00Z", request_id
            )
    request = _request(asked)
    if isinstance(request, str):
        return InvalidRequest(request, request_id)
    return ParsedRequest(request, request_id, by, sent_utc_s)


def _utc_s(value: object) -> float | None:
    try:
        at = datetime.fromisoformat(value) if isinstance(value, str) else None
        return None if at is None or at.tzinfo is None else at.timestamp()
    except ValueError:
        return None


def _is_label(value: object, longest: int = LONGEST_LABEL) -> bool:
    """A short printable text: it will stand in logs, on screens and in replies."""
    return isinstance(value, str) and len(value) <= longest and value.isprintable()


def _request(asked: dict[str, Any]) -> Request | str:
    """The request, or what is wrong with it."""
    name = asked.pop("request", None)
    if name not in REQUESTS:
        return f"`request` must be one of {', '.join(REQUESTS)}"
    result = _FIELDS.get(name, _alarm_fields)(name, asked)
    if not isinstance(result, str) and asked:
        # Escaped and cut: it goes back to the asker, and a lone surrogate has no UTF-8.
        return f"unknown field {min(asked)[:LONGEST_LABEL]!a} in a request of kind `{name}`"
    return result


def _mode_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    mode = asked.pop("mode", None)
    if mode not in list(Mode):
        return f"`mode` must be one of {', '.join(Mode)}"
    return SelectMode(Mode(mode))


def _zero_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    confirmed = asked.pop("blower_off_confirmed", False)
    if not isinstance(confirmed, bool):
        return "`blower_off_confirmed` must be true or false"
    return SetZero(confirmed)


def _blower_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    run = asked.pop("run", None)
    return RunBlower(run) if isinstance(run, bool) else "`run` must be true or false"


def _pulse_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    valve = asked.pop("valve", None)
    return PulseValve(valve) if type(valve) is int else "`valve` must be the number of a valve"


def _filter_change_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    note, valves = asked.pop("note", ""), asked.pop("valves", [])
    if not _is_label(note, LONGEST_TEXT):
        return _NOTE
    if not isinstance(valves, list) or not all(type(valve) is int for valve in valves):
        return "`valves` must be a list of the numbers of the valves whose rows were changed"
    return RecordFilterChange(note, tuple(valves))


def _record_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    entry, note = asked.pop("entry", None), asked.pop("note", "")
    if entry not in list(Entry):
        return f"`entry` must be one of {', '.join(Entry)}"
    if not _is_label(note, LONGEST_TEXT):
        return _NOTE
    if entry != Entry.UPKEEP_DONE:
        return RecordEntry(Entry(entry), note)
    upkeep = asked.pop("upkeep", None)
    if not _is_label(upkeep):
        return "`upkeep` must be the name of the upkeep that has been done"
    return RecordEntry(Entry.UPKEEP_DONE, note, upkeep)


def _set_points_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    values: dict[str, float] = {}
    for point in SetPoint:
        value = asked.pop(point.value, None)
        if value is None:
            continue
        if not _is_number(value):
            unit = "Pa" if point.value.endswith("_pa") else "seconds"
            return f"`{point.value}` must be a number of {unit}"
        values[point.value] = float(value)
    if not values:
        return f"at least one of {', '.join(SetPoint)} must be there"
    return ChangeSetPoints(**values)


def _confirm_fields(_name: str, asked: dict[str, Any]) -> Request | str:
    change = asked.pop("change", None)
    if type(change) is not int or abs(change) >= _MOST:
        return "`change` must be the number of the change, as in the answer to `set_points`"
    return ConfirmChange(change)


_MOST = 10**9


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _MOST


_NOTE = f"`note` must be a text of at most {LONGEST_TEXT} characters"


def _alarm_fields(name: str, asked: dict[str, Any]) -> Request | str:
    alarm = asked.pop("alarm", None)
    if not _is_label(alarm):
        return "`alarm` must be the name of an alarm"
    if name == "acknowledge":
        return Acknowledge(alarm)
    why = asked.pop("why", "")
    if not _is_label(why, LONGEST_TEXT):
        return f"`why` must be a text of at most {LONGEST_TEXT} characters"
    for_s = None
    if name == AlarmAction.SHELVE:
        for_s = asked.pop("for_s", None)
        if not _is_number(for_s):
            return "`for_s` must be the number of seconds it is shelved for"
    return HandleAlarm(AlarmAction(name), alarm, why, for_s)


_FIELDS: dict[str, Callable[[str, dict[str, Any]], Request | str]] = {
    "mode": _mode_fields,
    "zero": _zero_fields,
    "blower": _blower_fields,
    "pulse": _pulse_fields,
    "filter_change": _filter_change_fields,
    "record": _record_fields,
    "set_points": _set_points_fields,
    "confirm": _confirm_fields,
}


CLOCKS_APART_S = 10.0  # how far a request may come from the future


def age_refusal(
    asked: ParsedRequest, message_expiry_s: float | None, now_utc_s: float | None, holds_s: float
) -> Reason | None:
    """Why a request that came through a broker is too old to act, or may be; None if it is not.

    It tells its age by ``utc``, or by the message expiry interval it came with (MQTT 5): what the
    sender set less what it has waited at brokers, which throw it away when that is over. Either
    does; both are looked at. ``now_utc_s``: None while the clock is not set.
    """
    if message_expiry_s is not None and message_expiry_s > holds_s and asked.sent_utc_s is None:
        interval_s = float(message_expiry_s)
        return because(Because.HOLDS_TOO_LONG, interval_s=interval_s, expiry_s=holds_s)
    is_bounded = message_expiry_s is not None and message_expiry_s <= holds_s
    if asked.sent_utc_s is None:
        return None if is_bounded else because(Because.AGE_NOT_TOLD, expiry_s=holds_s)
    if now_utc_s is None:
        return None if is_bounded else because(Because.AGE_NOT_KNOWN, expiry_s=holds_s)
    age_s = now_utc_s - asked.sent_utc_s
    if age_s > holds_s:
        return because(Because.TOO_OLD, age_s=age_s, expiry_s=holds_s)
    if age_s < -CLOCKS_APART_S:
        return because(Because.FROM_THE_FUTURE, ahead_s=-age_s)
    return None


def reply(event: Event, answered: RequestAnswered, unit: PressureUnit) -> bytes:
    """What the asker is told."""
    return payload("reply", event.at.utc_s, event.seq, _reply_content(answered, unit))


def unrecorded_reply(
    answered: RequestAnswered, utc_s: float | None, seq: int, unit: PressureUnit
) -> bytes:
    """The same for a refusal that is not put on record. ``seq``: of the last event."""
    return payload("reply", utc_s, seq, _reply_content(answered, unit))


def _reply_content(answered: RequestAnswered, unit: PressureUnit) -> dict[str, Any]:
    return {
        "id": answered.request_id or None,
        "request": answered.request or None,
        "accepted": answered.accepted,
        **reason_fields(answered.reason, unit),
        "change": answered.change,
        "points": points_content(answered.points, unit),
    }
