"""Pressures in the settings file: a string with number and unit, such as ``"4.0 inH2O"``."""

from typing import Annotated

from pydantic import AfterValidator, PlainSerializer, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from dustcake.units import PRESSURE_PATTERN, Pressure, parse_pressure


def _parse(value: object) -> Pressure:
    if isinstance(value, Pressure):
        return value
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise PydanticCustomError("pressure", "{remedy}", {"remedy": 'write it like "4.0 inH2O"'})
    try:
        return parse_pressure(str(value))
    except ValueError as error:
        raise PydanticCustomError("pressure", "{remedy}", {"remedy": str(error)}) from None


def _above_zero(pressure: Pressure) -> Pressure:
    if pressure.value <= 0:
        remedy = "write a pressure above zero"
        raise PydanticCustomError("pressure", "{remedy}", {"remedy": remedy})
    return pressure


AnyPressure = Annotated[
    Pressure,
    PlainValidator(_parse),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "pattern": PRESSURE_PATTERN, "examples": ["4.0 inH2O"]}),
]

PositivePressure = Annotated[AnyPressure, AfterValidator(_above_zero)]
