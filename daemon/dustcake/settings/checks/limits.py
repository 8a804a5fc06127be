"""Rules among the set points and limits of one collector, and of what requests may change."""

from collections.abc import Iterator
from itertools import pairwise

from dustcake.settings.buses import AnalogInput
from dustcake.settings.checks.ref import Ref, ref
from dustcake.settings.errors import Problem
from dustcake.settings.model import Collector
from dustcake.settings.request_limits import adjustable


def limit_problems(collector: Collector, path: str) -> Iterator[Problem]:
    """Set points and limits out of order, or beyond what the transmitter measures."""
    alarms, cleaning = collector.alarms, collector.cleaning
    span_top = collector.transmitter.span[1]
    span_makes_sense = _makes_sense(collector.transmitter)
    ladder = [
        (ref(collector, path, "alarms.low"), alarms.low.pa),
        (ref(collector, path, "cleaning.low"), cleaning.low.pa),
        (ref(collector, path, "cleaning.high"), cleaning.high.pa),
        (ref(collector, path, "alarms.replacement"), alarms.replacement.pa),
    ]
    for (lower, lower_pa), (upper, upper_pa) in pairwise(ladder):
        if not lower_pa < upper_pa:
            yield _out_of_order(lower, upper, "above")
    replacement, high = ladder[-1][0], ref(collector, path, "alarms.high")
    if alarms.replacement.pa > alarms.high.pa:
        yield _out_of_order(replacement, high, "at or above")
    span = ref(collector, path, "transmitter.span")
    if span_makes_sense and alarms.high.pa > span_top.pa:
        allowed = f"at or below {span_top}, the high end of {span.short}"
        remedy = "lower it, with the set points below it, or fit a transmitter of a wider span"
        yield high.problem(allowed, remedy, span)
    yield from _deadband(collector, path)
    yield from _flow_proof(collector, path)
    if span_makes_sense:
        yield from _zero(collector, path)
    yield from _header(collector, path)


def _makes_sense(analog: AnalogInput) -> bool:
    """Whether the span can be compared with at all; if not, that is reported by itself."""
    low, high = analog.span
    return low.unit is high.unit and low.pa < high.pa


def _out_of_order(lower: Ref, upper: Ref, how: str) -> Problem:
    # Speak of the one somebody wrote; the other may be a default they have never seen.
    if upper.written or not lower.written:
        allowed = f"{how} {lower.short} = {lower.value}"
        return upper.problem(allowed, f"raise it, or lower {lower.short}", lower)
    below = {"above": "below", "at or above": "at or below"}[how]
    allowed = f"{below} {upper.short} = {upper.value}"
    return lower.problem(allowed, f"lower it, or raise {upper.short}", upper)


def _deadband(collector: Collector, path: str) -> Iterator[Problem]:
    alarms, cleaning = collector.alarms, collector.cleaning
    deadband, low, replacement = (
        ref(collector, path, f"alarms.{name}") for name in ("deadband", "low", "replacement")
    )
    cleaning_low = ref(collector, path, "cleaning.low")
    if 0 < cleaning.low.pa - alarms.low.pa <= alarms.deadband.pa:
        allowed = f"less than the distance from {low.short} to {cleaning_low.short}"
        remedy = "make it smaller: the low dP alarm could not clear in normal operation"
        yield deadband.problem(allowed, remedy, low, cleaning_low)
    if 0 < alarms.replacement.pa - cleaning.low.pa <= alarms.deadband.pa:
        allowed = f"less than the distance from {cleaning_low.short} to {replacement.short}"
        remedy = "make it smaller: the replacement alarm could not clear after a cleaning"
        yield deadband.problem(allowed, remedy, replacement, cleaning_low)


def _flow_proof(collector: Collector, path: str) -> Iterator[Problem]:
    if collector.contacts.blower_running is not None:
        return
    if not collector.blower.flow_proof.pa < collector.cleaning.low.pa:
        low = ref(collector, path, "cleaning.low")
        proof = ref(collector, path, "blower.flow_proof")
        yield proof.problem(
            f"below {low.short} = {low.value}, where no blower contact is fitted",
            f"lower it, raise {low.short}, or fit the contact contacts.blower_running: clean "
            "filters would otherwise count as a stopped blower",
            low,
        )


def _zero(collector: Collector, path: str) -> Iterator[Problem]:
    limit = ref(collector, path, "zeroing.limit")
    low = ref(collector, path, "cleaning.low")
    span = ref(collector, path, "transmitter.span")
    if not collector.zero_limit_pa < collector.cleaning.low.pa:
        remedy = "make it smaller: a reading with the blower running could be taken as zero"
        yield limit.problem(f"below {low.short} = {low.value}", remedy, low, span)
    if collector.transmitter.span[0].pa > 0:
        allowed = "a low end at or below zero"
        remedy = "use a transmitter that can read zero: without it no zero can be taken"
        yield span.problem(allowed, remedy)


def _header(collector: Collector, path: str) -> Iterator[Problem]:
    header = collector.header
    if header is None:
        return
    lowest, highest, span = (
        ref(collector, path, f"header.{name}") for name in ("min", "max", "span")
    )
    if not header.min.pa < header.max.pa:
        yield _out_of_order(lowest, highest, "above")
    if _makes_sense(header) and header.max.pa > header.span[1].pa:
        allowed = f"at or below {header.span[1]}, the high end of {span.short}"
        remedy = "lower it, or fit a transmitter of a wider span"
        yield highest.problem(allowed, remedy, span)


def request_problems(collector: Collector, path: str) -> Iterator[Problem]:
    """Limits that do not go with the set point itself, or would let it break another rule."""
    for each in adjustable(collector):
        if each.chosen is None:
            continue
        own = ref(collector, path, each.setting)
        limits = ref(collector, path, f"requests.{each.setting.partition('.')[2]}")
        (least, most), (lowest, highest) = each.chosen, each.rules
        if not least <= each.value <= most:
            allowed = f"limits with {own.short} = {own.value} within them, the lower one first"
            yield limits.problem(allowed, f"correct them, or {own.short}", own)
        elif lowest <= each.value <= highest and not (lowest <= least and most <= highest):
            shown = [each.shown(value, collector.shown_in) for value in each.rules]
            allowed = f"limits from {shown[0]} to {shown[1]}, which the other settings leave it"
            yield limits.problem(allowed, "draw them closer together", own)
