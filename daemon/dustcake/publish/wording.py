"""Reasons as sentences and numbers as text, in the units people chose."""

from collections.abc import Mapping, Sequence
from string import Formatter
from typing import Any

from dustcake.core.events import SettingChanged
from dustcake.core.reasons import Reason
from dustcake.publish.alarm_texts import ALARM_TITLES, alarm_title
from dustcake.units import UNIT_OF_ENDING, PressureUnit, show, unit_ending


def header_unit(unit: PressureUnit) -> PressureUnit:
    """Unit for header pressure beside a dP in ``unit``: a gauge on compressed air shows psi or
    bar, and nobody knows 80 psi as 2214 inH2O."""
    return PressureUnit.PSI if unit is PressureUnit.INH2O else PressureUnit.BAR


def sentence(reason: Reason, unit: PressureUnit) -> str:
    """The reason as people read it."""
    template = reason.code.template
    if not reason.detail:
        template = template.replace(" ({detail})", "")
    return filled(template, {**dict(reason.values), "detail": reason.detail}, unit)


def filled(template: str, values: Mapping[str, Any], unit: PressureUnit) -> str:
    """``template`` with ``values`` in words. Beside what ``Because`` says, ``{flag:this|that}`` is
    one word or the other, and ``{text!s}`` a text as it is. What is not there, because another
    version recorded it or the record is damaged, is a question mark."""
    return _Filler(unit).vformat(template, (), values)


class _Filler(Formatter):
    def __init__(self, unit: PressureUnit) -> None:
        self._unit = unit

    def get_field(self, name: str, _args: Sequence[Any], values: Mapping[str, Any]) -> Any:
        return (name, values.get(name)), name

    def convert_field(self, named: Any, conversion: Any) -> Any:
        return named if conversion is None else super().convert_field(named[1], conversion)

    def format_field(self, named: Any, spec: str) -> str:
        if isinstance(named, str):
            return named
        name, value = named
        match value:
            case None:
                return "?"
            case Reason():
                return sentence(value, self._unit)
            case bool():
                return spec.split("|")[not value]
            case int() | float():
                return number(name, value, self._unit, is_header=spec == "header")
        if spec == "title":
            return f'"{alarm_title(value)}"' if value in ALARM_TITLES else repr(value)
        return set_point_words(value) if spec == "point" else spoken(value)


def spoken(detail: str) -> str:
    """A detail as people read it: a code at its beginning loses its underscores."""
    code, colon, rest = detail.partition(":")
    return f"{code.replace('_', ' ')}{colon}{rest}" if code.isidentifier() else detail


def number(name: str, value: float, unit: PressureUnit, *, is_header: bool = False) -> str:
    """One number as people read it, its unit known by the ending of its name. ``is_header``: it is
    a header pressure, also where its name does not say so."""
    ending = unit_ending(name)
    if ending == "_pa":
        is_header = is_header or name.endswith("header_pa")
        return show(value, header_unit(unit) if is_header else unit)
    if ending == "_pa_per_h":  # in so many hours it comes to something a gauge shows
        return f"{show(1000.0 * value, unit)} in 1000 h"
    if ending == "_s":
        return duration(value)
    if ending is None:
        return str(value) if isinstance(value, int) else f"{value:g}"
    return f"{value:{_FORMATS.get(ending, '.4g')}} {UNIT_OF_ENDING[ending]}"


_FORMATS = {"_ma": ".2f", "_percent": ".1f"}
_LABELS = {"dp_pa": "dP", "free_m3": "free air"}


def label(name: str) -> str:
    """What a number is of: its name without the unit, which ``number`` shows."""
    ending = unit_ending(name) or ""
    return _LABELS.get(name) or spoken(name.removesuffix(ending))


def set_point_words(name: str) -> str:
    """A set point as people call it, by its name in requests."""
    return name.rpartition("_")[0].replace("_", "-")


def setting_change(changed: SettingChanged, unit: PressureUnit) -> str:
    """A change of a setting as people read it: ``cleaning high 4.02 inH2O -> 4.50 inH2O``."""
    section, _, rest = changed.setting.rpartition(".")
    is_header = "header" in section
    shown = [_shown(rest, text, unit, is_header) for text in (changed.before, changed.after)]
    where = f"{section} {label(rest)}".replace(".", " ").replace("_", " ").strip()
    return f"{where}: {' -> '.join(shown)}"


def _shown(name: str, text: str, unit: PressureUnit, is_header: bool) -> str:
    try:
        return number(name, float(text), unit, is_header=is_header)
    except ValueError:
        return text or "none"


def duration(duration_s: float) -> str:
    """A length of time in the largest unit that keeps it short: ``0.15 s``, ``45 s``, ``2.5 h``."""
    for length_s, name in ((86400, "d"), (3600, "h"), (60, "min")):
        if duration_s >= 2 * length_s or (duration_s >= length_s and duration_s % length_s == 0):
            return f"{round(duration_s / length_s, 1):g} {name}"
    return f"{duration_s:.3g} s"
