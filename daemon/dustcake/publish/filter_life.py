"""Filter life, as it is told: a range with its confidence, or why there is none. Never a date."""

from math import ceil

from dustcake.core.events import FilterLifeChanged
from dustcake.core.filter_life.forecast import FEWEST_POINTS, Forecast, Outlook
from dustcake.core.filter_life.points import FIRST_WIDTH_H
from dustcake.core.filter_life.state import FilterLife
from dustcake.core.reading import Quality
from dustcake.publish.payloads import Fields, pressure, quantity
from dustcake.units import PressureUnit, show


def life_content(life: FilterLife, seasoning_h: float, unit: PressureUnit) -> Fields:
    """What the state says of filter life."""
    told = life.forecast or Forecast(Outlook.NOT_ENOUGH_DATA, 0.0, 0, 0.0)
    a_day = life.use_h_per_day()
    residual_pa = told.residual_pa
    return {
        "outlook": told.outlook.value,
        "words": life_words(told, a_day, seasoning_h, unit),
        "remaining_low": _of(told.low_h, "h"),
        "remaining_high": _of(told.high_h, "h"),
        "confidence": told.confidence,
        "remaining_low_days": _of(_days(told.low_h, a_day), "d"),
        "remaining_high_days": _of(_days(told.high_h, a_day), "d"),
        "blower_time": _of(told.hours, "h"),
        "residual": None if residual_pa is None else pressure(residual_pa, unit),
        "rise": _of(told.rise_pa_per_h, "Pa/h", digits=5),
        "points": told.points,
        "points_needed": FEWEST_POINTS,
    }


def life_words(
    found: Forecast | FilterLifeChanged,
    use_h_per_day: float | None,
    seasoning_h: float | None,
    unit: PressureUnit,
) -> str:
    """The outlook as people read it; an event says no horizon."""
    if found.outlook == Outlook.NOT_ENOUGH_DATA:
        return _not_enough(found.points, seasoning_h)
    residual = "" if found.residual_pa is None else f"residual dP {show(found.residual_pa, unit)}"
    if found.outlook == Outlook.REACHED:
        return f"{residual} has reached the filter replacement set point"
    if found.low_h is None:
        far = ""
        if isinstance(found, Forecast):
            far = f" within {found.horizon_h:.0f} blower hours, which is as far as this looks"
        return f"{residual}; no end in sight{far}"
    percent = f"{found.confidence * 100:.0f} %"
    if found.high_h is None:
        hours = f"more than {found.low_h:.0f} blower hours remain"
    else:
        hours = f"{found.low_h:.0f} to {found.high_h:.0f} blower hours remain"
    return f"{hours} ({percent} confidence{_calendar(found, use_h_per_day)}); {residual}"


def _not_enough(points: int, seasoning_h: float | None) -> str:
    text = (
        f"not enough data yet: {points} of {FEWEST_POINTS} points of residual dP, each of at least "
        f"{FIRST_WIDTH_H:g} blower hour with cleaning"
    )
    if seasoning_h is None:
        return text
    return f"{text}; the first {seasoning_h:g} blower hours after a filter change do not count"


def _calendar(found: Forecast | FilterLifeChanged, use_h_per_day: float | None) -> str:
    low, high = _days(found.low_h, use_h_per_day), _days(found.high_h, use_h_per_day)
    if low is None:
        return ""
    days = f"more than {low:.0f} days" if high is None else f"{low:.0f} to {ceil(high)} days"
    return f"; at the present use {days}"


def _days(hours: float | None, use_h_per_day: float | None) -> float | None:
    if hours is None or use_h_per_day is None or use_h_per_day <= 0.0:
        return None
    return hours / use_h_per_day


def _of(value: float | None, unit: str, digits: int = 1) -> Fields:
    quality = Quality.FAILURE if value is None else Quality.GOOD
    return quantity(None if value is None else round(value, digits), unit, quality)
