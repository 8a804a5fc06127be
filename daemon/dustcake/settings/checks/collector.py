"""Rules of one collector: its set points and limits, what requests may change of them, how it
cleans and pulses, and its upkeep."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from dustcake.core.setpoints import BlowerRequest, OutputKind
from dustcake.settings.buses import AnalogInput, Bus
from dustcake.settings.checks.ref import Ref, ref
from dustcake.settings.cleaning import WATCHDOG_BEYOND_PULSE_S
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


# --- how it cleans, pulses and is kept up


# On a line that has gone dead each request waits its whole time-out: the coil on, and several
# attempts to switch it off, each read back, with short pauses.
_TIMEOUTS_A_COMMAND = 10


def pulse_problems(collector: Collector, path: str, buses: Sequence[Bus]) -> Iterator[Problem]:
    """Times that contradict each other, and functions whose inputs or outputs are missing."""
    if collector.outputs.kind is OutputKind.DEMAND_CONTACT:
        yield from _sequencer(collector, path)
    else:
        yield from _valves(collector, path)
    yield from _one_shot(collector, path)
    yield from _module_watchdog(collector, path)
    yield from _times(collector, path, buses)
    yield from _blower(collector, path)


def _sequencer(collector: Collector, path: str) -> Iterator[Problem]:
    outputs, pulsing = collector.outputs, collector.pulsing
    kind = ref(collector, path, "outputs.kind")
    if len(outputs.coils) != 1:
        coils = ref(collector, path, "outputs.coils")
        remedy = (
            'list the coil of the contact only, or choose another `kind`, such as "valves_on_off"'
        )
        yield coils.problem("one coil, for kind = demand_contact", remedy, kind)
    if pulsing.sequencer_cycle_s is None:
        cycle = ref(collector, path, "pulsing.sequencer_cycle_s")
        remedy = "set it to the number of valves times the interval set on the sequencer board"
        yield cycle.problem("a number from 1 to 86400, for kind = demand_contact", remedy, kind)
    for name in ("order", "on_time_s"):
        if name in pulsing.model_fields_set:
            unused = ref(collector, path, f"pulsing.{name}")
            remedy = "remove it: the sequencer board decides this, by its own setting"
            yield unused.problem("nothing, for kind = demand_contact", remedy, kind)


def _valves(collector: Collector, path: str) -> Iterator[Problem]:
    outputs, pulsing = collector.outputs, collector.pulsing
    kind = ref(collector, path, "outputs.kind")
    coils = ref(collector, path, "outputs.coils")
    count = len(outputs.coils)
    if pulsing.order is not None and sorted(pulsing.order) != list(range(1, count + 1)):
        allowed = f"each valve from 1 to {count} once, as {coils.short} lists {count}"
        remedy = "correct it, or remove it for an order that skips neighbours"
        yield ref(collector, path, "pulsing.order").problem(allowed, remedy, coils)
    if pulsing.sequencer_cycle_s is not None:
        cycle = ref(collector, path, "pulsing.sequencer_cycle_s")
        remedy = "remove it: there is no sequencer board, so order and interval give the cycle"
        yield cycle.problem("nothing, except for kind = demand_contact", remedy, kind)


def _one_shot(collector: Collector, path: str) -> Iterator[Problem]:
    outputs = collector.outputs
    register = ref(collector, path, "outputs.one_shot_register")
    per_count = ref(collector, path, "outputs.one_shot_ms_per_count")
    kind = ref(collector, path, "outputs.kind")
    if outputs.one_shot_register is None:
        if per_count.written:
            remedy = "remove it, or name the register that takes the pulse time"
            yield per_count.problem("nothing without one_shot_register", remedy, register)
        return
    if outputs.kind is not OutputKind.VALVES_ONE_SHOT:
        remedy = "remove it, or choose kind = valves_one_shot"
        yield register.problem("nothing, except for kind = valves_one_shot", remedy, kind)
        return
    if not _fits_a_register(collector.pulsing.on_time_s * 1000 / outputs.one_shot_ms_per_count):
        on_time = ref(collector, path, "pulsing.on_time_s")
        allowed = f"a multiple of {per_count.short} = {per_count.value} ms, at most 65535 of them"
        remedy = "choose another on-time, or correct one_shot_ms_per_count by the module's manual"
        yield on_time.problem(allowed, remedy, per_count)


def _fits_a_register(counts: float) -> bool:
    return abs(counts - round(counts)) <= 1e-6 and 1 <= round(counts) <= 65535


def _module_watchdog(collector: Collector, path: str) -> Iterator[Problem]:
    watchdog = collector.outputs.watchdog
    if watchdog is None:
        return
    timeout = ref(collector, path, "outputs.watchdog.timeout_s")
    per_count = ref(collector, path, "outputs.watchdog.s_per_count")
    if not _fits_a_register(watchdog.timeout_s / watchdog.s_per_count):
        allowed = f"a multiple of {per_count.short} = {per_count.value} s, at most 65535 of them"
        remedy = "choose another time-out, or correct s_per_count by the module's manual"
        yield timeout.problem(allowed, remedy, per_count)
    needed_s = collector.pulsing.on_time_s + WATCHDOG_BEYOND_PULSE_S
    if watchdog.timeout_s < needed_s:
        on_time = ref(collector, path, "pulsing.on_time_s")
        allowed = f"at least {needed_s:g}: a second longer than a pulse"
        remedy = "lengthen it: the module would end pulses that are in order"
        yield timeout.problem(allowed, remedy, on_time)


def _times(collector: Collector, path: str, buses: Sequence[Bus]) -> Iterator[Problem]:
    cleaning, pulsing = collector.cleaning, collector.pulsing
    interval = ref(collector, path, "pulsing.interval_s")
    for name, chosen in (
        ("timed_interval_s", cleaning.timed_interval_s),
        ("fallback_interval_s", cleaning.fallback_interval_s),
    ):
        if chosen is not None and chosen < pulsing.interval_s:
            own = ref(collector, path, f"cleaning.{name}")
            allowed = f"at or above {interval.short} = {interval.value}"
            remedy = f"lengthen it, or shorten {interval.short} if the header recovers that fast"
            yield own.problem(allowed, remedy, interval)
    if collector.stale_s < 2 * collector.poll_s:
        poll = ref(collector, path, "poll_s")
        remedy = "lengthen it, or shorten poll_s: one late reading would stop the cleaning"
        stale = ref(collector, path, "stale_after_s")
        yield stale.problem(f"at least twice poll_s = {poll.value}", remedy, poll)
    bus = next((bus for bus in buses if bus.name == collector.outputs.bus), None)
    if bus is None:
        return
    needed_s = _TIMEOUTS_A_COMMAND * bus.timeout_s
    if pulsing.report_timeout_s < needed_s:
        own = ref(collector, path, "pulsing.report_timeout_s")
        timeout = ref(bus, f"bus[{bus.name}]", "timeout_s")
        allowed = f"at least {needed_s:g}: {_TIMEOUTS_A_COMMAND} time-outs of the bus {bus.name}"
        remedy = f"lengthen it, or shorten {timeout.path}: a slow line must not pass for a dead one"
        yield own.problem(allowed, remedy, timeout)


def _blower(collector: Collector, path: str) -> Iterator[Problem]:
    contacts, blower = collector.contacts, collector.blower
    if collector.cleaning.downtime and contacts.blower_running is None:
        downtime = ref(collector, path, "cleaning.downtime")
        contact = ref(collector, path, "contacts.blower_running")
        remedy = (
            f"fit and name the contact [collector.{contact.short}]: that the blower has stopped "
            "must be proved; or set downtime = false"
        )
        yield downtime.problem("false, as no blower contact is fitted", remedy, contact)
    yield from _without_proof(collector, path)
    request, coil = (ref(collector, path, f"blower.{name}") for name in ("request", "coil"))
    if blower.request is BlowerRequest.PROCESS and contacts.process_running is None:
        contact = ref(collector, path, "contacts.process_running")
        remedy = f'name the contact [collector.{contact.short}], or choose "hand" or "none"'
        allowed = '"hand" or "none", as no contact of the process equipment is fitted'
        yield request.problem(allowed, remedy, contact)
    if blower.request is not BlowerRequest.NONE and blower.coil is None:
        remedy = 'name the output [collector.blower.coil], or set request = "none"'
        yield coil.problem(f"an output, for request = {request.value}", remedy, request)
    if blower.request is BlowerRequest.NONE and blower.coil is not None:
        remedy = 'remove it, or set request to "process" or "hand": nothing would drive it'
        yield coil.problem("nothing, for request = none", remedy, request)


def _without_proof(collector: Collector, path: str) -> Iterator[Problem]:
    """Flow that is not proved is accepted in words, and only where nothing else proves it."""
    why = collector.blower.timed_without_proof
    if why is None:
        return
    own = ref(collector, path, "blower.timed_without_proof")
    contact = ref(collector, path, "contacts.blower_running")
    if collector.contacts.blower_running is not None:
        remedy = "remove it: the contact proves flow, and no pulse but downtime goes without"
        yield own.problem(f"nothing, as {contact.short} is fitted", remedy, contact)
    elif not why.strip():
        remedy = (
            "say why timed cleaning may pulse although nothing proves flow; or remove it, and it "
            "pulses only while dP does"
        )
        yield own.problem("a reason in words", remedy)


_INTERVALS = ("every_run_h", "every_pulses", "every_days")


def upkeep_problems(collector: Collector, path: str) -> Iterator[Problem]:
    """Upkeep of the same name, or that would never be due."""
    taken: set[str] = set()
    for upkeep in collector.upkeep:
        at = f"{path}.upkeep[{upkeep.name}]"
        if upkeep.name in taken:
            remedy = "give each upkeep a name of its own, or leave one out"
            yield ref(upkeep, at, "name").problem("a name no other upkeep has", remedy)
        taken.add(upkeep.name)
        given = [name for name in _INTERVALS if getattr(upkeep, name) is not None]
        if not given:
            remedy = "say when it is due, or leave it out"
            yield Problem(at, "no interval", f"one or more of {', '.join(_INTERVALS)}", remedy)
        if given == ["every_pulses"] and collector.outputs.kind is OutputKind.DEMAND_CONTACT:
            remedy = "use every_run_h or every_days: a sequencer board reports no pulses"
            allowed = "another interval, where a sequencer board pulses"
            yield ref(upkeep, at, "every_pulses").problem(allowed, remedy)
