"""The core's values as JSON, for the journal: versioned, and read back to the same values."""

from functools import cache
from typing import Any, get_args

from pydantic import TypeAdapter, ValidationError

from dustcake.core.events import Body
from dustcake.core.inputs import Input
from dustcake.core.state import State

# Raise this whenever a stored State can no longer be read by the code that follows, and say in
# ``decode_state`` how the older one is brought up.
STATE_FORMAT = 1


class FormatError(Exception):
    """Stored bytes that cannot be read back: written by another version, or damaged."""


@cache
def _adapter(cls: type[Any]) -> TypeAdapter[Any]:
    return TypeAdapter(cls)


_INPUTS = {cls.__name__: cls for cls in get_args(Input)}
_BODIES = {cls.name: cls for cls in get_args(Body)}


def encode_state(state: State) -> bytes:
    """The whole state; store ``STATE_FORMAT`` beside it."""
    return _adapter(State).dump_json(state)


def decode_state(stored: bytes, version: int) -> State:
    """The state as it was. Raises ``FormatError``."""
    if version != STATE_FORMAT:
        raise FormatError(f"state has format {version}, this version reads {STATE_FORMAT}")
    return _decoded(State, stored)


def encode_input(happened: Input) -> tuple[str, bytes]:
    """The input's kind and its fields."""
    return type(happened).__name__, _adapter(type(happened)).dump_json(happened)


def decode_input(kind: str, stored: bytes) -> Input:
    """The input as it was. Raises ``FormatError``."""
    if kind not in _INPUTS:
        raise FormatError(f"no input is called {kind!r}")
    happened: Input = _decoded(_INPUTS[kind], stored)
    return happened


def encode_body(body: Body) -> tuple[str, bytes]:
    """The event's name and its fields."""
    return body.name, _adapter(type(body)).dump_json(body)


def decode_body(name: str, stored: bytes) -> Body:
    """The event's body as it was. Raises ``FormatError``."""
    if name not in _BODIES:
        raise FormatError(f"no event is called {name!r}")
    body: Body = _decoded(_BODIES[name], stored)
    return body


def _decoded(cls: type[Any], stored: bytes) -> Any:
    try:
        return _adapter(cls).validate_json(stored)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise FormatError(f"{cls.__name__}: {place}: {first['msg']}") from None
