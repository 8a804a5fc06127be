"""Units. Inside, a number is in the unit that the ending of its name says, a pressure in pascals;
other units of pressure are for the edges only.

Factors: NIST Special Publication 811, Appendix B (from a transcription of it, secondary source).
The inch and the millimetre of water are the conventional ones (water of 1000 kg/m3 under
9.80665 m/s2), not those at 39.2 F or 60 F, which differ by up to 0.1 %.
"""

import math
import re
from dataclasses import dataclass
from enum import StrEnum


class PressureUnit(StrEnum):
    """The units a pressure may be written or shown in: each with its pascals, and to how many
    decimals a technician reads it."""

    pa: float
    decimals: int

    def __new__(cls, name: str, pa: float = 1.0, decimals: int = 0) -> "PressureUnit":
        """A member of value ``name``."""
        member = str.__new__(cls, name)
        member._value_, member.pa, member.decimals = name, pa, decimals
        return member

    INH2O = "inH2O", 249.08891, 2  # 25.4 mm of 9.80665 Pa each, exact
    PA = "Pa"
    KPA = "kPa", 1000.0, 3
    MBAR = "mbar", 100.0, 2
    MMH2O = "mmH2O", 9.80665, 1
    PSI = "psi", 6894.757293168361, 1  # 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2
    BAR = "bar", 100_000.0, 2


PRESSURE_PATTERN = rf"^-?[0-9]{{1,9}}(\.[0-9]{{1,9}})? ?({'|'.join(PressureUnit)})$"
"""What a written pressure looks like: a plain decimal number, at most one space, the unit."""

UNIT_OF_ENDING = {
    "_pa_per_h": "Pa/h",
    "_pa": "Pa",
    "_s": "s",
    "_h": "h",
    "_m3": "m3",
    "_kg": "kg",
    "_ma": "mA",
    "_percent": "%",
}
"""The unit of a number by the ending of its name; the first that fits."""


def unit_ending(name: str) -> str | None:
    """The ending of ``name`` that says its unit; None where it has none."""
    return next((ending for ending in UNIT_OF_ENDING if name.endswith(ending)), None)


def show(pa: float, unit: PressureUnit) -> str:
    """``pa`` for people, in ``unit``."""
    text = f"{pa / unit.pa:.{unit.decimals}f}"
    return f"{text.removeprefix('-') if float(text) == 0 else text} {unit}"


def show_with_pa(pa: float, unit: PressureUnit) -> str:
    """``pa`` for people in ``unit``, with pascals in brackets unless ``unit`` is pascals."""
    shown = show(pa, unit)
    return shown if unit is PressureUnit.PA else f"{shown} ({show(pa, PressureUnit.PA)})"


@dataclass(frozen=True, slots=True)
class Pressure:
    """A pressure as somebody wrote it: ``value`` in ``unit``."""

    value: float
    unit: PressureUnit

    @property
    def pa(self) -> float:
        """The pressure in pascals."""
        return self.value * self.unit.pa

    def __str__(self) -> str:
        number = f"{self.value:.9f}".rstrip("0").rstrip(".")
        return f"{number} {self.unit}"


def parse_pressure(text: str) -> Pressure:
    """The pressure that ``text`` means, such as ``4.0 inH2O``.

    Raises ValueError, saying what is wrong and how to write it, for anything else.
    """
    match = re.fullmatch(PRESSURE_PATTERN.strip("^$"), text, flags=re.ASCII)
    if match is None:
        raise ValueError(_what_is_wrong(text))
    unit = PressureUnit(match.group(2))
    value = float(text.removesuffix(unit))
    return Pressure(value=value, unit=unit)


def _what_is_wrong(text: str) -> str:
    number = re.match(r"[-+]?[0-9]+(?:\.[0-9]+)?", text.strip())
    known = ", ".join(PressureUnit)
    if number is None:
        return f'it does not start with a number: write it like "4.0 inH2O" (units: {known})'
    rest = text.strip()[number.end() :]
    if re.match(r",[0-9]", rest):
        return 'the decimal sign is a point: write it like "4.0 inH2O"'
    rest = rest.strip()
    if not rest:
        return f'it has no unit: write "{number.group()} inH2O", or another of {known}'
    folded = {unit.lower(): unit for unit in PressureUnit}
    nearest = folded.get(rest.lower().replace("h20", "h2o"))
    if nearest is not None and math.isfinite(float(number.group())):
        return f'write it as "{number.group().lstrip("+")} {nearest}"'
    return f'write it as a plain decimal number and one of the units {known}, like "4.0 inH2O"'
