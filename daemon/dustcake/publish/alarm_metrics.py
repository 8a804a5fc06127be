"""Whether the alarms are few enough to be acted on: the metrics of alarm management.

Metrics and targets are those of ISA-18.2 (secondary sources, which agree); they are for all alarms
one operator has, so the alarms of all collectors in question count together. One collector should
add almost nothing. In words and as JSON they are what `dustcake history --alarms` shows.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import takewhile
from typing import Any

from dustcake.core.alarms.names import ACTIVE, IN_VIEW, AlarmState
from dustcake.core.record import record
from dustcake.publish.payloads import utc_text
from dustcake.publish.wording import duration

TEN_MINUTES_S = 600.0
DAY_S = 86_400.0

FLOOD_ABOVE, FLOOD_ENDS_BELOW = 10, 5  # in ten minutes
STALE_S = DAY_S
CHATTER_TIMES, CHATTER_S = 3, 60.0
PRIORITY_SHARES = {"low": 0.80, "medium": 0.15, "high": 0.05}


@record
class Change:
    """An alarm of a collector entered ``state`` at ``at_s`` (UTC seconds)."""

    at_s: float
    collector: str
    alarm: str
    state: str
    priority: str


@record
class OneAlarm:
    """One alarm of one collector: how often it was raised, its share of all, how often it was
    raised for the third time within a minute or more, how long it was active, and how it is at the
    end, since when."""

    collector: str
    alarm: str
    raised: int
    share: float
    chattering: int
    active_s: float
    state: str
    since_s: float


@record
class Flood:
    """More than ten alarms in ten minutes, until fewer than five are."""

    from_s: float
    to_s: float
    raised: int


@record
class Metrics:
    """What the alarms between ``from_s`` and ``to_s`` come to. ``most_in_ten_minutes``: in any ten;
    ``flooded_share``: of the ten-minute periods, how many had more than ten. ``alarms``: the most
    frequent first. ``stale``: active for more than a day at the end."""

    from_s: float
    to_s: float
    raised: int
    per_hour: float
    per_day: float
    most_in_ten_minutes: int
    flooded_share: float
    floods: tuple[Flood, ...]
    by_priority: dict[str, int]
    alarms: tuple[OneAlarm, ...]

    @property
    def chattering(self) -> tuple[OneAlarm, ...]:
        """Alarms raised three times within a minute."""
        return tuple(one for one in self.alarms if one.chattering)

    @property
    def stale(self) -> tuple[OneAlarm, ...]:
        """Alarms that have been active for more than a day."""
        return tuple(
            one for one in self.alarms if one.state in ACTIVE and self.to_s - one.since_s > STALE_S
        )

    @property
    def out_of_view(self) -> tuple[OneAlarm, ...]:
        """Alarms shelved, suppressed or out of service at the end."""
        return tuple(one for one in self.alarms if one.state not in IN_VIEW)


def metrics(changes: Iterable[Change], from_s: float, to_s: float) -> Metrics:
    """The metrics of ``changes``, which are in order of time; those before ``from_s`` only say how
    the alarms stood then."""
    known = [change for change in changes if change.at_s <= to_s]
    raised = _raised(known, from_s)
    by_alarm: dict[tuple[str, str], list[Change]] = {}
    for change in known:
        by_alarm.setdefault((change.collector, change.alarm), []).append(change)
    times = [change.at_s for change in raised]
    length_s = max(to_s - from_s, 1.0)
    periods = Counter(int((at_s - from_s) // TEN_MINUTES_S) for at_s in times)
    flooded = sum(count > FLOOD_ABOVE for count in periods.values())
    alarms = [_alarm(each, len(raised), from_s, to_s) for each in by_alarm.values()]
    return Metrics(
        from_s=from_s,
        to_s=to_s,
        raised=len(raised),
        per_hour=len(raised) * 3600.0 / length_s,
        per_day=len(raised) * DAY_S / length_s,
        most_in_ten_minutes=_most_within(times, TEN_MINUTES_S),
        flooded_share=flooded / max(1.0, length_s / TEN_MINUTES_S),
        floods=tuple(_floods(times, to_s)),
        by_priority=dict(Counter(change.priority for change in raised)),
        alarms=tuple(sorted(alarms, key=_most_frequent_first)),
    )


def _raised(changes: Iterable[Change], from_s: float) -> list[Change]:
    return [c for c in changes if c.state == AlarmState.UNACKNOWLEDGED and c.at_s >= from_s]


def _most_frequent_first(one: OneAlarm) -> tuple[float, float, str, str]:
    return -one.raised, -one.active_s, one.collector, one.alarm


def _most_within(times: Sequence[float], window_s: float) -> int:
    before = (bisect_right(times, at_s - window_s) for at_s in times)
    return max((count - first for count, first in enumerate(before, start=1)), default=0)


def _floods(times: Sequence[float], to_s: float) -> Iterable[Flood]:
    began: int | None = None
    for i, at_s in enumerate(times):
        if began is not None:
            ended_s = times[i - FLOOD_ENDS_BELOW] + TEN_MINUTES_S
            if ended_s <= at_s:
                yield Flood(times[began], ended_s, i - began)
                began = None
        first = i - FLOOD_ABOVE
        if began is None and first >= 0 and times[first] > at_s - TEN_MINUTES_S:
            began = first
    if began is not None:
        ended_s = times[-FLOOD_ENDS_BELOW] + TEN_MINUTES_S
        yield Flood(times[began], min(ended_s, to_s), len(times) - began)


def _alarm(changes: Sequence[Change], raised: int, from_s: float, to_s: float) -> OneAlarm:
    """All ``changes`` of one alarm; ``raised``: how often any was."""
    times = [change.at_s for change in _raised(changes, from_s)]
    thirds = zip(times, times[CHATTER_TIMES - 1 :], strict=False)
    last = changes[-1]
    return OneAlarm(
        collector=last.collector,
        alarm=last.alarm,
        raised=len(times),
        share=len(times) / max(raised, 1),
        chattering=sum(third - first < CHATTER_S for first, third in thirds),
        active_s=_active_s(changes, from_s, to_s),
        state=last.state,
        since_s=_since_s(changes),
    )


def _since_s(changes: Sequence[Change]) -> float:
    """When the alarm became as it is at the end: active, whether that has been acknowledged since
    or not; else in its state."""
    state = changes[-1].state
    alike = ACTIVE if state in ACTIVE else (state,)
    *_, first = takewhile(lambda change: change.state in alike, reversed(changes))
    return first.at_s


def _active_s(changes: Sequence[Change], from_s: float, to_s: float) -> float:
    ends = [change.at_s for change in changes[1:]] + [to_s]
    return sum(
        max(0.0, end_s - max(change.at_s, from_s))
        for change, end_s in zip(changes, ends, strict=True)
        if change.state in ACTIVE
    )


# --- in words

_LISTED = 10


def metrics_content(found: Metrics) -> dict[str, Any]:
    """All of them, as JSON has them."""
    return {
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


def _name(one: OneAlarm) -> dict[str, Any]:
    return {"collector": one.collector, "alarm": one.alarm}


def metrics_words(found: Metrics) -> list[str]:
    """The metrics for people, beside the targets."""
    from_utc, to_utc = utc_text(found.from_s), utc_text(found.to_s)
    shares = ", ".join(
        f"{name} {found.by_priority.get(name, 0)} (target {share:.0%})"
        for name, share in PRIORITY_SHARES.items()
    )
    alarms = "".join(
        f"    {one.collector} {one.alarm:26} {one.raised:5}  {one.share:5.0%}  "
        f"{duration(one.active_s)}\n"
        for one in found.alarms[:_LISTED]
        if one.raised or one.active_s
    )
    return f"""
Alarms from {from_utc} to {to_utc} ({duration(found.to_s - found.from_s)})
  raised             {found.raised}: {found.per_hour:.3g} an hour, {found.per_day:.3g} a day; \
target 6 an hour for one operator, at most 12
  most in 10 min     {found.most_in_ten_minutes}; floods (more than {FLOOD_ABOVE}): \
{len(found.floods)}, {found.flooded_share:.2%} of the time; target below 1%
  by priority        {shares}
  chattering         {_names(found.chattering)}; raised {CHATTER_TIMES} times in \
{duration(CHATTER_S)}
  stale              {_names(found.stale)}; active for more than {duration(STALE_S)}, \
target fewer than 5
  out of view        {_names(found.out_of_view)}
  most frequent      times  share  time in alarm
{alarms}  Targets: ISA-18.2, from secondary sources.""".splitlines()


def _names(alarms: Iterable[OneAlarm]) -> str:
    return ", ".join(f"{one.collector} {one.alarm}" for one in alarms) or "none"
