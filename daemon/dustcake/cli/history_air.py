"""`dustcake history --air`: compressed air by day, out of the hourly accounts in the journal."""

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from dustcake.adapters.store import RecordedEvent
from dustcake.core.events import AirUsed
from dustcake.core.setpoints import Air
from dustcake.publish.air import energy_kwh


@dataclass
class Day:
    """What the accounts of one collector and UTC day add up to; ``date`` None: of accounts whose
    time of day was never found."""

    collector: str
    date: str | None
    free_m3: float = 0.0
    mass_kg: float = 0.0
    measured: int = 0
    rated: int = 0
    blower_h: float = 0.0

    def add(self, used: AirUsed) -> None:
        """Take one account in."""
        self.free_m3 += used.free_m3
        self.mass_kg += used.mass_kg
        self.measured += used.measured
        self.rated += used.rated
        self.blower_h += used.blower_run_s / 3600.0


def days(events: Iterable[RecordedEvent]) -> Iterator[Day]:
    """One for each day with air used, in order."""
    found: dict[tuple[str, str | None], Day] = {}
    for one in events:
        event = one.event()
        if event is None or not isinstance(event.body, AirUsed):
            continue
        used = event.body
        at_s = used.from_utc_s
        if at_s is None:
            at_s = one.found_utc_s if one.utc_s is None else one.utc_s
        date = None if at_s is None else datetime.fromtimestamp(at_s, UTC).date().isoformat()
        day = found.setdefault((one.collector, date), Day(one.collector, date))
        day.add(used)
    yield from found.values()


def print_air(
    events: Iterable[RecordedEvent], factors: Mapping[str, Air], *, as_json: bool
) -> None:
    """A line a day, at the factors of the settings as they are now."""
    for day in days(events):
        used = factors.get(day.collector, Air())
        kwh = energy_kwh(day.free_m3, used)
        cost = kwh * used.price_per_kwh
        hourly = day.free_m3 / day.blower_h if day.blower_h > 0.0 else None
        if as_json:
            print(
                json.dumps(
                    {
                        "collector": day.collector,
                        "date": day.date,
                        "free_air_m3": round(day.free_m3, 4),
                        "mass_kg": round(day.mass_kg, 4),
                        "pulses_measured": day.measured,
                        "pulses_rated": day.rated,
                        "blower_h": round(day.blower_h, 3),
                        "free_air_m3_per_blower_h": None if hourly is None else round(hourly, 4),
                        "energy_kwh": round(kwh, 4),
                        "cost": round(cost, 4),
                        "currency": used.currency,
                    }
                )
            )
            continue
        rate = "" if hourly is None else f", {hourly:.3g} m3 a blower hour"
        print(
            f"{day.date or 'no date':10}  {day.collector}  {day.free_m3:8.3f} m3 of free air "
            f"({day.mass_kg:.3f} kg){rate}; {kwh:.3g} kWh, {cost:.2f} {used.currency}; "
            f"{day.measured} pulses measured, {day.rated} as rated"
        )
