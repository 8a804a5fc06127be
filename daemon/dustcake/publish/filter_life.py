"""Filter life, as it is told: a range with its confidence, or why there is none. Never a date."""

from math import ceil

from dustcake.core.filter_life.forecast import FEWEST_POINTS, Forecast, Outlook
from dustcake.core.filter_life.points import FIRST_WIDTH_H
from dustcake.core.filter_life.residual import FilterLife
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
    told: Forecast, use_h_per_day: float | None, seasoning_h: float, unit: PressureUnit
) -> str:
    """The outlook as people read it."""
    if told.outlook is Outlook.NOT_ENOUGH_DATA:
        return (
            f"not enough data yet: {told.points} of {FEWEST_POINTS} points of residual dP, each of "
            f"at least {FIRST_WIDTH_H:g} blower hour with cleaning; the first {seasoning_h:g} "
            "blower hours after a filter change do not count"
        )
    residual = "" if told.residual_pa is None else f"residual dP {show(told.residual_pa, unit)}"
    if told.outlook is Outlook.REACHED:
        return f"{residual} has reached the filter replacement set point"
    if told.low_h is None:
        return (
            f"{residual}; no end in sight within {told.horizon_h:.0f} blower hours, which is as "
            "far as this looks"
        )
    percent = f"{told.confidence * 100:.0f} %"
    if told.high_h is None:
        hours = f"more than {told.low_h:.0f} blower hours remain"
    else:
        hours = f"{told.low_h:.0f} to {told.high_h:.0f} blower hours remain"
    return f"{hours} ({percent} confidence{_calendar(told, use_h_per_day)}); {residual}"


def _calendar(told: Forecast, use_h_per_day: float | None) -> str:
    low, high = _days(told.low_h, use_h_per_day), _days(told.high_h, use_h_per_day)
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
