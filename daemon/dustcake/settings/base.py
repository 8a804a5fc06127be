"""What every settings model has in common: its kinds of values, and how a pressure is written."""

from collections.abc import Mapping
from typing import Annotated, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    Strict,
    StringConstraints,
    WithJsonSchema,
)

from dustcake.units import PRESSURE_PATTERN, Pressure, PressureUnit, parse_pressure

T = TypeVar("T")

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$"
LINE_PATTERN = r"^[^\x00-\x1f\x7f]+$"
HOST_PATTERN = r"^[A-Za-z0-9_.:\-]+$"
FILE_PATTERN = r"^/[^\x00-\x1f\x7f]*[^/\x00-\x1f\x7f]$"
# No wildcard, no empty level, nothing reserved by the broker ($).
TOPIC_PATTERN = r"^[A-Za-z0-9_.\-]+(/[A-Za-z0-9_.\-]+)*$"
# Sparkplug reserves + / and #.
SPARKPLUG_ID_PATTERN = r"^[^+/#\x00-\x1f\x7f]+$"
CLIENT_ID_PATTERN = r"^[A-Za-z0-9_.\-]+$"
SOCKET_PATTERN = r"^[\x20-\x7e]+$"


class Section(BaseModel):
    """A table of the settings file: unknown keys are refused, values are never coerced."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


# A settings file has strings and arrays only, so an enumeration is found by its value and a
# tuple made from an array; everything inside them stays strict.
Lax = Annotated[T, Strict(False)]

Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN, max_length=64)]
TextLine = Annotated[str, StringConstraints(pattern=LINE_PATTERN, max_length=200)]
Host = Annotated[str, StringConstraints(pattern=HOST_PATTERN, max_length=253)]
# Absolute, so that a password written here by mistake is refused, and not taken for a path.
SecretFile = Annotated[str, StringConstraints(pattern=FILE_PATTERN, max_length=4000)]
Topic = Annotated[str, StringConstraints(pattern=TOPIC_PATTERN, max_length=200)]
SparkplugId = Annotated[str, StringConstraints(pattern=SPARKPLUG_ID_PATTERN, max_length=128)]
ClientId = Annotated[str, StringConstraints(pattern=CLIENT_ID_PATTERN, max_length=128)]
# A Unix domain socket's path has room for 107 bytes, whatever the file system allows.
SocketPath = Annotated[str, StringConstraints(pattern=SOCKET_PATTERN, max_length=100)]

FORMS: Mapping[str, str] = {
    NAME_PATTERN: "letters, digits, `_`, `-` and `.`, beginning with a letter or digit",
    LINE_PATTERN: "one line of text",
    HOST_PATTERN: "a host name or address, without user, port or path",
    FILE_PATTERN: "the absolute path of a file, beginning with /",
    TOPIC_PATTERN: "topic levels joined by /, each of letters, digits, `_`, `-` and `.`",
    SPARKPLUG_ID_PATTERN: "a text without `+`, `/` and `#`",
    CLIENT_ID_PATTERN: "letters, digits, `_`, `-` and `.`",
    SOCKET_PATTERN: "a path of plain characters",
    PRESSURE_PATTERN: f'a pressure with its unit ({", ".join(PressureUnit)}), as "4.0 inH2O"',
}
"""A string of each pattern, in words."""

Seconds = Annotated[float, Field(ge=0, le=86_400)]


def _read_pressure(value: object) -> Pressure:
    if isinstance(value, Pressure):
        return value
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError('write it like "4.0 inH2O"')  # noqa: TRY004, pydantic wants a ValueError
    return parse_pressure(str(value))


def _above_zero(pressure: Pressure) -> Pressure:
    if pressure.value <= 0:
        raise ValueError("write a pressure above zero")
    return pressure


AnyPressure = Annotated[
    Pressure,
    PlainValidator(_read_pressure),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "pattern": PRESSURE_PATTERN, "examples": ["4.0 inH2O"]}),
]

PositivePressure = Annotated[AnyPressure, AfterValidator(_above_zero)]
