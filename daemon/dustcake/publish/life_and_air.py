"""Filter life and compressed air as the state has them, with their schemas.

Filter life is a range with its confidence, or why there is none; never a date. Air is free air, its
mass, energy and cost, and how it was measured.
"""

from datetime import UTC, datetime
from math import ceil

from dustcake.core.air.state import AirUse, Amount
from dustcake.core.air.use import DAY_S, HOUR_S, counts, mass_kg, measures
from dustcake.core.events import FilterLifeChanged
from dustcake.core.filter_life.forecast import FEWEST_POINTS, Forecast, Outlook
from dustcake.core.filter_life.state import FIRST_WIDTH_H, FilterLife
from dustcake.core.reading import Quality
from dustcake.core.setpoints import Air, Setpoints
from dustcake.publish.payloads import (
    CHOSEN,
    COUNT,
    MONEY,
    NUMBER,
    QUANTITY,
    TEXT,
    Fields,
    Schema,
    described,
    object_of,
    one_of,
    or_null,
    pressure,
    quantity,
)
from dustcake.units import PressureUnit, show


def life_content(life: FilterLife, seasoning_h: float, unit: PressureUnit) -> Fields:
    """What the state says of filter life."""
    found = life.forecast or Forecast(Outlook.NOT_ENOUGH_DATA, 0.0, 0, 0.0)
    a_day = life.use_h_per_day()
    residual_pa = found.residual_pa
    return {
        "outlook": found.outlook.value,
        "words": life_words(found, a_day, seasoning_h, unit),
        "remaining_low": quantity(found.low_h, "h", digits=1),
        "remaining_high": quantity(found.high_h, "h", digits=1),
        "confidence": found.confidence,
        "remaining_low_days": quantity(_days(found.low_h, a_day), "d", digits=1),
        "remaining_high_days": quantity(_days(found.high_h, a_day), "d", digits=1),
        "blower_time": quantity(found.hours, "h", digits=1),
        "residual": None if residual_pa is None else pressure(residual_pa, unit),
        "rise": quantity(found.rise_pa_per_h, "Pa/h", digits=5),
        "points": found.points,
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


def air_content(air: AirUse, blower_s: float, setpoints: Setpoints) -> Fields | None:
    """What the state says of air; None where nothing is known, as a sequencer board reports no
    pulses. ``blower_s``: running time ever."""
    if not counts(setpoints):
        return None
    factors, ever_m3 = setpoints.air, air.total.free_m3
    per_h = ever_m3 * HOUR_S / blower_s if blower_s >= HOUR_S else None
    return {
        "source": "header" if measures(setpoints) else "rated",
        "total": amount(air.total, factors),
        "day": amount(air.day, factors),
        "day_utc": _date(air.day_number),
        "hour": amount(air.hour, factors),
        "last_hour": amount(air.last_hour, factors),
        "per_blower_hour": quantity(per_h, "m3/h", digits=4),
        "reference": f"20 C, {factors.reference_pa / 1000:g} kPa",
        "factors": {
            "rated_pulse": quantity(factors.rated_pulse_m3, "m3"),
            "energy": quantity(factors.energy_kwh_per_m3, "kWh/m3"),
            "price": quantity(factors.price_per_kwh, f"{factors.currency}/kWh"),
        },
    }


def _date(day_number: int | None) -> str | None:
    if day_number is None:
        return None
    return datetime.fromtimestamp(day_number * DAY_S, UTC).date().isoformat()


def amount(used: Amount, factors: Air) -> Fields:
    """Air of some pulses. Quality is good where each was measured: a rated figure is none."""
    quality = Quality.OUT_OF_SPECIFICATION if used.rated else Quality.GOOD
    kwh = energy_kwh(used.free_m3, factors)
    return {
        "free_air": quantity(used.free_m3, "m3", quality, digits=4),
        "mass": quantity(mass_kg(used.free_m3, factors.reference_pa), "kg", quality, digits=4),
        "energy": quantity(kwh, "kWh", quality, digits=4),
        "cost": quantity(kwh * factors.price_per_kwh, factors.currency, quality, digits=4),
        "measured": used.measured,
        "rated": used.rated,
    }


def energy_kwh(free_m3: float, factors: Air) -> float:
    """Electricity to compress it, kWh."""
    return free_m3 * factors.energy_kwh_per_m3


def life_schema() -> Schema:
    """The schema of ``life_content``."""
    return object_of(
        {
            "outlook": one_of(Outlook),
            "words": described(TEXT, "the same for people"),
            "remaining_low": QUANTITY,
            "remaining_high": described(
                QUANTITY,
                "blower hours; both null unless `outlook` is `range` or `reached`, "
                "this one alone where the range has no upper end within the horizon",
            ),
            "confidence": described(NUMBER, "of that range, 0 to 1"),
            "remaining_low_days": QUANTITY,
            "remaining_high_days": QUANTITY,
            "blower_time": described(QUANTITY, "since the filter change, when forecast"),
            "residual": or_null(CHOSEN),
            "rise": QUANTITY,
            "points": COUNT,
            "points_needed": COUNT,
        },
        "what residual dP says of the filters",
    )


def air_schema() -> Schema:
    """The schema of ``air_content``."""
    amount = object_of(
        {
            "free_air": QUANTITY,
            "mass": QUANTITY,
            "energy": QUANTITY,
            "cost": MONEY,
            "measured": described(COUNT, "pulses measured at the header"),
            "rated": described(COUNT, "pulses counted as rated"),
        }
    )
    factors = {"rated_pulse": QUANTITY, "energy": QUANTITY, "price": MONEY}
    air = {
        "source": {"enum": ["header", "rated"]},
        "total": amount,
        "day": amount,
        "day_utc": {"type": ["string", "null"], "format": "date"},
        "hour": amount,
        "last_hour": amount,
        "per_blower_hour": QUANTITY,
        "reference": described(TEXT, "at which free air is stated"),
        "factors": object_of(factors),
    }
    return or_null(object_of(air, "compressed air of the pulses"))
