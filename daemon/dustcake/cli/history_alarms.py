"""`dustcake history --alarms`: the metrics under the list."""

import json
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from dustcake.adapters.store import RecordedEvent
from dustcake.publish.payloads import utc_text
from dustcake.publish.wording import duration

if TYPE_CHECKING:
    from dustcake.publish.alarm_metrics import Change, Metrics, OneAlarm

LISTED = 10


def changes_in(events: Iterable[RecordedEvent]) -> Iterator["Change"]:
    """The changes of alarms among ``events`` whose time is known, in order of time."""
    from dustcake.publish.alarm_metrics import Change

    found = []
    for one in events:
        at_s = one.found_utc_s if one.utc_s is None else one.utc_s
        if at_s is not None:
            fields = one.fields
            alarm, state = str(fields.get("alarm")), str(fields.get("state"))
            priority = str(fields.get("priority"))
            found.append(Change(at_s, one.collector, alarm, state, priority))
    # A clock that was set back has left them out of order.
    yield from sorted(found, key=lambda change: change.at_s)


def metrics_json(found: "Metrics") -> str:
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


def _name(one: "OneAlarm") -> dict[str, Any]:
    return {"collector": one.collector, "alarm": one.alarm}


def metrics_words(found: "Metrics") -> Iterator[str]:
    """The same for people, beside the targets."""
    from dustcake.publish import alarm_metrics as targets

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


def _names(alarms: Iterable["OneAlarm"]) -> str:
    return ", ".join(f"{one.collector} {one.alarm}" for one in alarms) or "none"
