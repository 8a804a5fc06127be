"""Rules among the pressures of one collector."""

from collections.abc import Iterator
from itertools import pairwise

from dustcake.settings.buses import AnalogInput
from dustcake.settings.checks.ref import Ref, ref
from dustcake.settings.collector import Collector
from dustcake.settings.errors import Problem


def limit_problems(collector: Collector, path: str) -> Iterator[Problem]:
    """Set points and limits out of order, or beyond what the transmitter measures."""
    alarms, cleaning = collector.alarms, collector.cleaning
    alarms_at, cleaning_at = f"{path}.alarms", f"{path}.cleaning"
    span_top = collector.transmitter.span[1]
    span_makes_sense = _makes_sense(collector.transmitter)
    ladder = [
        (ref(alarms, alarms_at, "low"), alarms.low.pa),
        (ref(cleaning, cleaning_at, "low"), cleaning.low.pa),
        (ref(cleaning, cleaning_at, "high"), cleaning.high.pa),
        (ref(alarms, alarms_at, "replacement"), alarms.replacement.pa),
    ]
    for (lower, lower_pa), (upper, upper_pa) in pairwise(ladder):
        if not lower_pa < upper_pa:
            yield _out_of_order(lower, upper, "above")
    replacement, high = ladder[-1][0], ref(alarms, alarms_at, "high")
    if alarms.replacement.pa > alarms.high.pa:
        yield _out_of_order(replacement, high, "at or above")
    span = ref(collector.transmitter, f"{path}.transmitter", "span")
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
    deadband, low = (ref(alarms, f"{path}.alarms", name) for name in ("deadband", "low"))
    room = cleaning.low.pa - alarms.low.pa
    if 0 < room <= alarms.deadband.pa:
        cleaning_low = ref(cleaning, f"{path}.cleaning", "low")
        allowed = f"less than the distance from {low.short} to {cleaning_low.short}"
        remedy = "make it smaller: the low dP alarm could not clear in normal operation"
        yield deadband.problem(allowed, remedy, low, cleaning_low)
    room = alarms.replacement.pa - cleaning.low.pa
    if 0 < room <= alarms.deadband.pa:
        cleaning_low = ref(cleaning, f"{path}.cleaning", "low")
        replacement = ref(alarms, f"{path}.alarms", "replacement")
        allowed = f"less than the distance from {cleaning_low.short} to {replacement.short}"
        remedy = "make it smaller: the replacement alarm could not clear after a cleaning"
        yield deadband.problem(allowed, remedy, replacement, cleaning_low)


def _flow_proof(collector: Collector, path: str) -> Iterator[Problem]:
    if collector.contacts.blower_running is not None:
        return
    if not collector.blower.flow_proof.pa < collector.cleaning.low.pa:
        low = ref(collector.cleaning, f"{path}.cleaning", "low")
        proof = ref(collector.blower, f"{path}.blower", "flow_proof")
        yield proof.problem(
            f"below {low.short} = {low.value}, where no blower contact is fitted",
            f"lower it, raise {low.short}, or fit the contact contacts.blower_running: clean "
            "filters would otherwise count as a stopped blower",
            low,
        )


def _zero(collector: Collector, path: str) -> Iterator[Problem]:
    limit = ref(collector.zeroing, f"{path}.zeroing", "limit")
    low = ref(collector.cleaning, f"{path}.cleaning", "low")
    span = ref(collector.transmitter, f"{path}.transmitter", "span")
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
    lowest, highest, span = (ref(header, f"{path}.header", name) for name in ("min", "max", "span"))
    if not header.min.pa < header.max.pa:
        yield _out_of_order(lowest, highest, "above")
    if _makes_sense(header) and header.max.pa > header.span[1].pa:
        allowed = f"at or below {header.span[1]}, the high end of {span.short}"
        remedy = "lower it, or fit a transmitter of a wider span"
        yield highest.problem(allowed, remedy, span)
