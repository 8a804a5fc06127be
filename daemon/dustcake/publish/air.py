"""Compressed air of the pulses, as it is told: free air, mass, energy, money, and how measured."""

from datetime import UTC, datetime

from dustcake.core.air.pulse_air import mass_kg
from dustcake.core.air.state import AirUse, Amount
from dustcake.core.air.use import DAY_S, HOUR_S, counts, measures
from dustcake.core.reading import Quality
from dustcake.core.setpoints import Air, Setpoints
from dustcake.publish.payloads import Fields, quantity


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
        "per_blower_hour": quantity(
            None if per_h is None else round(per_h, 4),
            "m3/h",
            Quality.FAILURE if per_h is None else Quality.GOOD,
        ),
        "reference": f"20 C, {factors.reference_pa / 1000:g} kPa",
        "factors": {
            "rated_pulse": quantity(factors.rated_pulse_m3, "m3", Quality.GOOD),
            "energy": quantity(factors.energy_kwh_per_m3, "kWh/m3", Quality.GOOD),
            "price": quantity(factors.price_per_kwh, f"{factors.currency}/kWh", Quality.GOOD),
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
        "free_air": quantity(round(used.free_m3, 4), "m3", quality),
        "mass": quantity(round(mass_kg(used.free_m3, factors.reference_pa), 4), "kg", quality),
        "energy": quantity(round(kwh, 4), "kWh", quality),
        "cost": quantity(round(kwh * factors.price_per_kwh, 4), factors.currency, quality),
        "measured": used.measured,
        "rated": used.rated,
    }


def energy_kwh(free_m3: float, factors: Air) -> float:
    """Electricity to compress it, kWh."""
    return free_m3 * factors.energy_kwh_per_m3
