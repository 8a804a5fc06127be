"""What `dustcake history` adds up: compressed air by day, and the metrics of alarms."""

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from dustcake.core.events import AirUsed
from dustcake.core.setpoints import Air
from dustcake.publish import alarm_metrics as targets
from dustcake.publish.alarm_metrics import Change, Metrics, OneAlarm
from dustcake.publish.life_and_air import energy_kwh
from dustcake.publish.payloads import utc_text
from dustcake.publish.wording import duration

if TYPE_CHECKING:
    from dustcake.adapters.store import RecordedEvent

LISTED = 10


def _utc_s(one: "RecordedEvent") -> float | None:
    """When it happened, or when that was found out to have been."""
    return one.found_utc_s if one.utc_s is None else one.utc_s


# --- compressed air by day, out of the hourly accounts in the journal


def air_by_day(
    events: Iterable["RecordedEvent"], factors: Mapping[str, Air]
) -> Iterator[dict[str, Any]]:
    """What the accounts of each collector and UTC day come to, in order, at the ``factors`` of the
    settings as they are now; the date is None for accounts whose time of day was never found."""
    days: dict[tuple[str, str | None], list[AirUsed]] = {}
    for one in events:
        event = one.event()
        if event is None or not isinstance(event.body, AirUsed):
            continue
        used = event.body
        at_s = _utc_s(one) if used.from_utc_s is None else used.from_utc_s
        date = None if at_s is None else datetime.fromtimestamp(at_s, UTC).date().isoformat()
        days.setdefault((one.collector, date), []).append(used)
    for (collector, date), accounts in days.items():
        factor = factors.get(collector, Air())
        free_m3 = sum(used.free_m3 for used in accounts)
        blower_h = sum(used.blower_run_s for used in accounts) / 3600.0
        kwh = energy_kwh(free_m3, factor)
        yield {
            "collector": collector,
            "date": date,
            "free_air_m3": free_m3,
            "mass_kg": sum(used.mass_kg for used in accounts),
            "pulses_measured": sum(used.measured for used in accounts),
            "pulses_rated": sum(used.rated for used in accounts),
            "blower_h": round(blower_h, 3),
            "free_air_m3_per_blower_h": free_m3 / blower_h if blower_h > 0.0 else None,
            "energy_kwh": kwh,
            "cost": kwh * factor.price_per_kwh,
            "currency": factor.currency,
        }


def air_json(day: dict[str, Any]) -> str:
    """One of ``air_by_day`` as a JSON object."""
    rounded = {name: round(v, 4) if isinstance(v, float) else v for name, v in day.items()}
    return json.dumps(rounded)


def air_words(day: dict[str, Any]) -> str:
    """The same for people, as one line."""
    hourly_m3 = day["free_air_m3_per_blower_h"]
    rate = "" if hourly_m3 is None else f", {hourly_m3:.3g} m3 a blower hour"
    return (
        f"{day['date'] or 'no date':10}  {day['collector']}  {day['free_air_m3']:8.3f} m3 of free "
        f"air ({day['mass_kg']:.3f} kg){rate}; {day['energy_kwh']:.3g} kWh, {day['cost']:.2f} "
        f"{day['currency']}; {day['pulses_measured']} pulses measured, {day['pulses_rated']} as "
        "rated"
    )


# --- alarms


def changes_in(events: Iterable["RecordedEvent"]) -> list[Change]:
    """The changes of alarms among ``events`` whose time is known, in order of time."""
    found = []
    for one in events:
        at_s = _utc_s(one)
        if at_s is not None:
            named = (str(one.fields.get(name)) for name in ("alarm", "state", "priority"))
            found.append(Change(at_s, one.collector, *named))
    # A clock that was set back has left them out of order.
    return sorted(found, key=lambda change: change.at_s)


def metrics_json(found: Metrics) -> str:
    """All of them as one JSON object."""
    content = {
        "event": "alarm_metrics",
        "from": utc_text(found.from_s),
        "to": utc_text(found.to_s),
        "raised": found.raised,
        "per_hour": round(found.per_hour, 4),
        "per_day": round(found.per_day, 4),
        "most_in_ten_minutes": found.most_in_ten_minutes,
        "flooded_share": round(found.flooded_share, 6),
        "floods": [
            {"from": utc_text(f.from_s), "to": utc_text(f.to_s), "raised": f.raised}
            for f in found.floods
        ],
        "by_priority": found.by_priority,
        "chattering": [_name(one) for one in found.chattering],
        "stale": [_name(one) for one in found.stale],
        "out_of_view": [{**_name(one), "state": one.state} for one in found.out_of_view],
        "alarms": [
            {
                **_name(one),
                "raised": one.raised,
                "share": round(one.share, 4),
                "chattering": one.chattering,
                "active_s": round(one.active_s, 3),
                "state": one.state,
                "since": utc_text(one.since_s),
            }
            for one in found.alarms
        ],
    }
    return json.dumps(content)


def _name(one: OneAlarm) -> dict[str, Any]:
    return {"collector": one.collector, "alarm": one.alarm}


def metrics_words(found: Metrics) -> Iterator[str]:
    """The same for people, beside the targets."""
    span = duration(found.to_s - found.from_s)
    yield ""
    yield f"Alarms from {utc_text(found.from_s)} to {utc_text(found.to_s)} ({span})"
    yield (
        f"  raised             {found.raised}: {found.per_hour:.3g} an hour, {found.per_day:.3g} a "
        f"day; target {targets.TARGET_PER_HOUR} an hour for one operator, at most "
        f"{targets.MOST_PER_HOUR}"
    )
    yield (
        f"  most in 10 min     {found.most_in_ten_minutes}; floods (more than "
        f"{targets.FLOOD_ABOVE}): {len(found.floods)}, {found.flooded_share:.2%} of the time; "
        f"target below {targets.MOST_FLOODED_SHARE:.0%}"
    )
    shares = ", ".join(
        f"{name} {found.by_priority.get(name, 0)} (target {share:.0%})"
        for name, share in targets.PRIORITY_SHARES.items()
    )
    yield f"  by priority        {shares}"
    yield (
        f"  chattering         {_names(found.chattering)}; raised {targets.CHATTER_TIMES} times in "
        f"{duration(targets.CHATTER_S)}"
    )
    yield (
        f"  stale              {_names(found.stale)}; active for more than "
        f"{duration(targets.STALE_S)}, target fewer than {targets.MOST_STALE}"
    )
    yield f"  out of view        {_names(found.out_of_view)}"
    yield "  most frequent      times  share  time in alarm"
    for one in found.alarms[:LISTED]:
        if one.raised or one.active_s:
            yield (
                f"    {one.collector} {one.alarm:26} {one.raised:5}  {one.share:5.0%}  "
                f"{duration(one.active_s)}"
            )
    yield "  Targets: ISA-18.2, from secondary sources."


def _names(alarms: Iterable[OneAlarm]) -> str:
    return ", ".join(f"{one.collector} {one.alarm}" for one in alarms) or "none"
