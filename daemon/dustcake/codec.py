"""The core's values as JSON, for the journal: versioned, and read back to the same values."""

from collections.abc import Callable
from functools import cache
from typing import Any, get_args

from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json, to_json

from dustcake.core.alarms.names import ACTIVE
from dustcake.core.events import EVENTS, Body
from dustcake.core.inputs import Input
from dustcake.core.state import State

# Raise this whenever a stored State can no longer be read by the code that follows, and say in
# ``decode_state`` how the older one is brought up.
STATE_FORMAT = 4


class FormatError(Exception):
    """Stored bytes that cannot be read back: written by another version, or damaged."""


_INPUTS: dict[str, Any] = {cls.__name__: cls for cls in get_args(Input)}


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    """Built when first needed: a daemon meets few of the types in its first second."""
    return TypeAdapter(kind)


def encode_state(state: State) -> bytes:
    """The whole state; store ``STATE_FORMAT`` beside it."""
    return _adapter(State).dump_json(state)


def decode_state(stored: bytes, version: int) -> State:
    """The state as it was. Raises ``FormatError``."""
    if version != STATE_FORMAT:
        stored = _brought_up(stored, version)
    state: State = _decoded(State, stored)
    return state


def _brought_up(stored: bytes, version: int) -> bytes:
    """A state of an older format in the present one."""
    if not 1 <= version < STATE_FORMAT:
        raise FormatError(f"state has format {version}, this version reads {STATE_FORMAT}")
    try:
        content: dict[str, Any] = from_json(stored)
        for older in range(version, STATE_FORMAT):
            _TO_NEXT[older](content)
    except (ValueError, LookupError, TypeError, AttributeError):
        raise FormatError(f"state of format {version} cannot be brought up: damaged") from None
    return to_json(content)


def _from_1(content: dict[str, Any]) -> None:
    """Alarms follow their condition apart from their state; runs too close together are counted."""
    for alarm in content["alarms"]:
        alarm["stands"] = alarm["state"] in ACTIVE
    content["pace"] = {}


def _from_2(content: dict[str, Any]) -> None:
    """Readings are doubted, and the answers to pulses remembered."""
    content["trust"] = {}
    content["diagnosis"] = {"valves": [{} for _ in content["pulsing"]["counts"]]}


def _from_3(content: dict[str, Any]) -> None:
    """Fields have plainer names; which alarms are on their way somewhere is not remembered."""
    content.pop("unsettled", None)
    for alarm in content["alarms"]:
        _rename(alarm, stands="condition_active", owed="relatch")
    _rename(content["trust"], still="frozen", step="excursion", zero="zero_check")
    if content["trust"].get("frozen"):
        _rename(content["trust"]["frozen"], looks="same")
    _rename(content["diagnosis"], look="observation")
    _rename(content.get("log_book", {}), upkeep="maintenance")
    _rename(content.get("log_book", {}).get("maintenance", {}), items="tasks")
    _rename(content.get("life", {}), told_h="reported_h")
    _rename(content.get("air", {}), told_blower_s="accounted_blower_s", watch="measurement")
    line = content.get("line", {})
    contacts = [(name, line.pop(name)) for name in (*line,) if name not in ("dp", "header")]
    line["contacts"] = [(name, gap) for name, gap in contacts if gap["at_s"] or gap["lost"]]
    overrides = content.get("adjusted", {})
    _rename(overrides, held="pending")
    for point in overrides.get("points", ()):
        _rename(point, written="configured")
    _rename(
        content,
        pace="cleaning_pace",
        worn="replacement",
        trust="signal_validation",
        diagnosis="pulse_response",
        life="filter_life",
        adjusted="set_point_overrides",
    )


def _rename(fields: dict[str, Any], **names: str) -> None:
    """Rename the fields that are there: what was added within one format may not be."""
    for old, new in names.items():
        if old in fields:
            fields[new] = fields.pop(old)


_TO_NEXT: dict[int, Callable[[dict[str, Any]], None]] = {1: _from_1, 2: _from_2, 3: _from_3}


def encode_input(happened: Input) -> tuple[str, bytes]:
    """The input's kind and its fields."""
    # A recorded trace may hold a number that is none: it is kept as such, not as no value.
    return type(happened).__name__, to_json(happened, inf_nan_mode="strings")


def decode_input(kind: str, stored: bytes) -> Input:
    """The input as it was. Raises ``FormatError``."""
    if kind not in _INPUTS:
        raise FormatError(f"no input is called {kind!r}")
    happened: Input = _decoded(_INPUTS[kind], stored)
    return happened


def encode_body(body: Body) -> tuple[str, bytes]:
    """The event's name and its fields."""
    kind: Any = EVENTS[body.name]
    return body.name, _adapter(kind).dump_json(body)


def decode_body(name: str, stored: bytes) -> Body:
    """The event's body as it was. Raises ``FormatError``."""
    if name not in EVENTS:
        raise FormatError(f"no event is called {name!r}")
    body: Body = _decoded(EVENTS[name], stored)
    return body


def _decoded(kind: Any, stored: bytes) -> Any:
    try:
        return _adapter(kind).validate_json(stored)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise FormatError(f"{kind.__name__}: {place}: {first['msg']}") from None
