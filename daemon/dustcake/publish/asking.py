"""Requests as JSON: read from whoever asks, and answered."""

import json
from typing import Any

from dustcake.core.events import Event, RequestAnswered
from dustcake.core.record import record
from dustcake.core.requests import Acknowledge, Mode, Request, RunBlower, SelectMode, SetZero
from dustcake.publish.payloads import payload, reason_fields
from dustcake.units import PressureUnit

LONGEST_REQUEST_BYTES = 4096
LONGEST_LABEL = 64


@record
class Asked:
    """A request as it came: what, by whom as they say, and their id for it."""

    request: Request
    request_id: str
    by: str


@record
class NotUnderstood:
    """Why something that came in is no request, with what would be one."""

    problem: str
    request_id: str | None = None


REQUESTS = ("mode", "zero", "acknowledge", "blower")


def read_request(text: bytes) -> Asked | NotUnderstood:
    """Read one request: a JSON object with ``request``, ``id``, optional ``by``, and the fields of
    that request. Unknown fields are refused, so that a mistyped one is not silently ignored."""
    if len(text) > LONGEST_REQUEST_BYTES:
        return NotUnderstood(f"longer than {LONGEST_REQUEST_BYTES} bytes")
    try:
        # Decoded here, because the library would guess at other encodings.
        asked = json.loads(text.decode())
    except (UnicodeDecodeError, ValueError, RecursionError):
        return NotUnderstood("not JSON in UTF-8")
    if not isinstance(asked, dict):
        return NotUnderstood("not a JSON object")
    request_id, by = asked.pop("id", None), asked.pop("by", "")
    if not _is_label(request_id) or not request_id:
        return NotUnderstood("`id` must be a text of 1 to 64 characters, new for each request")
    if not _is_label(by):
        return NotUnderstood("`by` must be a text of at most 64 characters", request_id)
    request = _request(asked)
    if isinstance(request, str):
        return NotUnderstood(request, request_id)
    return Asked(request, request_id, by)


def _is_label(value: object) -> bool:
    """A short printable text: it will stand in logs, on screens and in replies."""
    return isinstance(value, str) and len(value) <= LONGEST_LABEL and value.isprintable()


def _request(asked: dict[str, Any]) -> Request | str:
    """The request, or what is wrong with it."""
    name = asked.pop("request", None)
    if name not in REQUESTS:
        return f"`request` must be one of {', '.join(REQUESTS)}"
    result: Request | str
    if name == "mode":
        mode = asked.pop("mode", None)
        if mode not in list(Mode):
            return f"`mode` must be one of {', '.join(Mode)}"
        result = SelectMode(Mode(mode))
    elif name == "zero":
        confirmed = asked.pop("blower_off_confirmed", False)
        if not isinstance(confirmed, bool):
            return "`blower_off_confirmed` must be true or false"
        result = SetZero(confirmed)
    elif name == "acknowledge":
        alarm = asked.pop("alarm", None)
        if not _is_label(alarm):
            return "`alarm` must be the name of an alarm"
        result = Acknowledge(alarm)
    else:
        run = asked.pop("run", None)
        if not isinstance(run, bool):
            return "`run` must be true or false"
        result = RunBlower(run)
    if asked:
        # Escaped and cut: it goes back to the asker, and a lone surrogate has no UTF-8.
        return f"unknown field {min(asked)[:LONGEST_LABEL]!a} in a request of kind `{name}`"
    return result


def reply(event: Event, answered: RequestAnswered, unit: PressureUnit) -> bytes:
    """What the asker is told."""
    content = {
        "id": answered.request_id,
        "request": answered.request,
        "accepted": answered.accepted,
        **reason_fields(answered.reason, unit),
    }
    return payload("reply", event.at.utc_s, event.seq, content)


def not_understood_reply(problem: NotUnderstood, utc_s: float | None, seq: int) -> bytes:
    """What somebody is told who sent something that is no request."""
    content = {
        "id": problem.request_id,
        "request": None,
        "accepted": False,
        "reason": f"not understood: {problem.problem}",
        "reason_code": "not_understood",
    }
    return payload("reply", utc_s, seq, content)
