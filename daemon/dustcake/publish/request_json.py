"""Requests as JSON: read from whoever makes them, and answered."""

import json
from contextlib import suppress
from datetime import datetime
from typing import Any

from dustcake.core.events import RequestAnswered
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record
from dustcake.core.requests.definitions import KIND_OF, RequestKind, is_label
from dustcake.core.requests.kinds import Request
from dustcake.publish.payloads import payload, points_content, reason_fields
from dustcake.units import PressureUnit

LONGEST_REQUEST_BYTES = 4096


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
        """The problem as a reason."""
        return because(Because.NOT_UNDERSTOOD, self.problem)


def read_object(text: bytes) -> dict[str, Any] | InvalidRequest:
    """The JSON object in ``text``. One that says a thing twice is refused: which was meant?"""
    if len(text) > LONGEST_REQUEST_BYTES:
        return InvalidRequest(f"longer than {LONGEST_REQUEST_BYTES} bytes")
    try:
        # Decoded here, because the library would guess at other encodings.
        found = json.loads(text.decode(), object_pairs_hook=_once_each, parse_constant=_no_number)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        return InvalidRequest("not JSON in UTF-8")
    except ValueError as error:
        return InvalidRequest(str(error))
    return found if isinstance(found, dict) else InvalidRequest("not a JSON object")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


def _no_number(constant: str) -> None:
    raise json.JSONDecodeError("no JSON", constant, 0)


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
    rest = dict(fields)
    request_id, by = rest.pop("id", None), rest.pop("by", "")
    if not is_label(request_id) or not request_id:
        return InvalidRequest("`id` must be a text of 1 to 64 characters, new for each request")
    if not is_label(by):
        return InvalidRequest("`by` must be a text of at most 64 characters", request_id)
    try:
        sent_utc_s = _utc_s(rest.pop("utc")) if "utc" in rest else None
        request = _kind(rest.pop("request", None)).request(rest)
    except ValueError as error:
        return InvalidRequest(str(error), request_id)
    return ParsedRequest(request, request_id, by, sent_utc_s)


def _kind(name: object) -> RequestKind:
    if not isinstance(name, str) or name not in KIND_OF:
        raise ValueError(f"`request` must be one of {', '.join(KIND_OF)}")
    return KIND_OF[name]


def _utc_s(value: object) -> float:
    with suppress(ValueError):
        at = datetime.fromisoformat(str(value))
        if at.tzinfo is not None:
            return at.timestamp()
    raise ValueError("`utc` must be a time with its zone, as 2026-05-04T06:00:00Z")


CLOCKS_APART_S = 10.0  # how far a request may come from the future


def age_refusal(
    sent_utc_s: float | None, expires_in_s: float | None, now_utc_s: float | None, holds_s: float
) -> Reason | None:
    """Why a request that came through a broker is too old to act, or may be; None if it is not.

    It says its age by when it was sent, or by the message expiry interval it came with (MQTT 5):
    what the sender set less what it has waited at brokers, which throw it away when that is over.
    Either does; both are checked. ``now_utc_s``: None while the clock is not set.
    """
    if expires_in_s is not None and expires_in_s > holds_s and sent_utc_s is None:
        interval_s = float(expires_in_s)
        return because(Because.HOLDS_TOO_LONG, interval_s=interval_s, expiry_s=holds_s)
    is_bounded = expires_in_s is not None and expires_in_s <= holds_s
    if sent_utc_s is None:
        return None if is_bounded else because(Because.AGE_NOT_TOLD, expiry_s=holds_s)
    if now_utc_s is None:
        return None if is_bounded else because(Because.AGE_NOT_KNOWN, expiry_s=holds_s)
    age_s = now_utc_s - sent_utc_s
    if age_s > holds_s:
        return because(Because.TOO_OLD, age_s=age_s, expiry_s=holds_s)
    if age_s < -CLOCKS_APART_S:
        return because(Because.FROM_THE_FUTURE, ahead_s=-age_s)
    return None


def reply(answered: RequestAnswered, utc_s: float | None, seq: int, unit: PressureUnit) -> bytes:
    """The answer to a request. ``seq``: of the event of it; of a refusal that is not put on record,
    that of the last event."""
    content = {
        "id": answered.request_id or None,
        "request": answered.request or None,
        "accepted": answered.accepted,
        **reason_fields(answered.reason, unit),
        "change": answered.change,
        "points": points_content(answered.points, unit),
    }
    return payload("reply", utc_s, seq, content)
