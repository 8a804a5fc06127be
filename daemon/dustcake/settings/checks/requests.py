"""Rules for the limits of what may be changed by request."""

from collections.abc import Iterator

from dustcake.core.requests.kinds import SetPoint
from dustcake.settings.checks.ref import ref
from dustcake.settings.collector import Collector
from dustcake.settings.errors import Problem
from dustcake.settings.request_limits import adjustable

_SETTINGS = {
    SetPoint.LOW: ("cleaning", "low"),
    SetPoint.HIGH: ("cleaning", "high"),
    SetPoint.INTERVAL: ("pulsing", "interval_s"),
    SetPoint.ON_TIME: ("pulsing", "on_time_s"),
}


def request_problems(collector: Collector, path: str) -> Iterator[Problem]:
    """Limits that do not go with the set point itself, or would let it break another rule."""
    for each in adjustable(collector):
        if each.chosen is None:
            continue
        section, name = _SETTINGS[each.point]
        own = ref(getattr(collector, section), f"{path}.{section}", name)
        limits = ref(collector.requests, f"{path}.requests", name)
        (least, most), (lowest, highest) = each.chosen, each.rules
        if not least <= each.value <= most:
            allowed = f"limits with {own.short} = {own.value} within them, the lower one first"
            yield limits.problem(allowed, f"correct them, or {own.short}", own)
        elif lowest <= each.value <= highest and not (lowest <= least and most <= highest):
            shown = [each.shown(value, collector.shown_in) for value in each.rules]
            allowed = f"limits from {shown[0]} to {shown[1]}, which the other settings leave it"
            yield limits.problem(allowed, "draw them closer together", own)
