"""Rules of one collector: its set points and limits, how it cleans and pulses, its upkeep, and what
requests may change."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from operator import attrgetter
from typing import Any

from dustcake.core.setpoints import BlowerRequest, OutputKind
from dustcake.settings.base import Section
from dustcake.settings.buses import AnalogInput, Bus
from dustcake.settings.cleaning import WATCHDOG_BEYOND_PULSE_S
from dustcake.settings.errors import Problem
from dustcake.settings.model import Collector
from dustcake.settings.setpoints import adjustable

# On a line that has gone dead each request waits its whole time-out: the coil on, and several
# attempts to switch it off, each read back, with short pauses.
_TIMEOUTS_A_COMMAND = 10
_INTERVALS = ("every_run_h", "every_pulses", "every_days")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the file, and its path there, as the rules speak of it. A setting of it is named
    by its attribute; with points, such as ``pulsing.order``, one of a table in it."""

    section: Any
    path: str

    def problem(
        self, name: str, allowed: str, remedy: str, *others: str, beside: str | None = None
    ) -> Problem:
        """A problem with setting ``name``, compared with ``others`` of this table, or with what
        stands at the path ``beside``."""
        involves = (*map(self._place, others), *([] if beside is None else [beside]))
        return Problem(self._place(name), self.value(name), allowed, remedy, involves)

    def unless(
        self, holds: object, name: str, allowed: str, remedy: str, *others: str
    ) -> Iterator[Problem]:
        """A problem with setting ``name`` unless a rule ``holds``."""
        if not holds:
            yield self.problem(name, allowed, remedy, *others)

    def tables(self, *names: str) -> "list[Table]":
        """The tables of these names in it that are not left out."""
        found = [(name, attrgetter(name)(self.section)) for name in names]
        return [Table(part, f"{self.path}.{name}") for name, part in found if part is not None]

    def value(self, name: str) -> str:
        """Value of a setting, as text."""
        text = _text(attrgetter(name)(self.section))
        return text if self.is_written(name) else f"{text} (the default)"

    def is_written(self, name: str) -> bool:
        """Whether anybody has written it."""
        section, last = self._holder(name)
        return last in section.model_fields_set

    def _place(self, name: str) -> str:
        section, last = self._holder(name)
        written_as = type(section).model_fields[last].alias or last
        return f"{self.path}.{name.removesuffix(last)}{written_as}"

    def _holder(self, name: str) -> tuple[Section, str]:
        tables, _, last = name.rpartition(".")
        return (attrgetter(tables)(self.section) if tables else self.section), last


def _text(value: object) -> str:
    if value is None:
        return "left out"
    if isinstance(value, Section):
        return "a table"
    if isinstance(value, tuple):
        return f"[{', '.join(map(_text, value))}]"
    return str(value).lower() if isinstance(value, bool | int | float) else f'"{value}"'


def collector_problems(collector: Collector, path: str, buses: Sequence[Bus]) -> Iterator[Problem]:
    """Problems of a collector, at ``path``, that only show when its settings are compared."""
    table = Table(collector, path)
    has_board = collector.outputs.kind is OutputKind.DEMAND_CONTACT
    pulses, times = _sequencer if has_board else _valves, partial(_times, buses=buses)
    rules = (_set_points, _zero_and_flow, _header, pulses, _one_shot, _module_watchdog, times)
    for rule in (*rules, _flow_proof, _blower_request, _upkeep, _requests):
        yield from rule(collector, table)


_LADDER = ("alarms.low", "cleaning.low", "cleaning.high", "alarms.replacement", "alarms.high")
# Between which settings the deadband of an alarm must fit, and why.
_DEADBAND_BETWEEN = (
    ("alarms.low", "cleaning.low", "the low dP alarm could not clear in normal operation"),
    (
        "cleaning.low",
        "alarms.replacement",
        "the replacement alarm could not clear after a cleaning",
    ),
)


def _set_points(collector: Collector, table: Table) -> Iterator[Problem]:
    for lower, upper in pairwise(_LADDER):
        yield from _out_of_order(table, lower, upper, or_equal=upper == "alarms.high")
    remedy = "lower it, with the set points below it, or fit a transmitter of a wider span"
    yield from _beyond_span(table, "alarms.high", "transmitter", remedy)
    for lower, upper, why in _DEADBAND_BETWEEN:
        low, high = attrgetter(lower, upper)(collector)
        fits = not 0 < high.pa - low.pa <= collector.alarms.deadband.pa
        allowed, remedy = (
            f"less than the distance from {lower} to {upper}",
            f"make it smaller: {why}",
        )
        yield from table.unless(fits, "alarms.deadband", allowed, remedy, lower, upper)


def _zero_and_flow(collector: Collector, table: Table) -> Iterator[Problem]:
    """The low set point tells clean filters from a stopped blower, and both from no dP at all."""
    transmitter, low_pa = collector.transmitter, collector.cleaning.low.pa
    low = f"below cleaning.low = {table.value('cleaning.low')}"
    has_contact = collector.contacts.blower_running is not None
    proves_flow = has_contact or collector.blower.flow_proof.pa < low_pa
    allowed = f"{low}, where no blower contact is fitted"
    remedy = (
        "lower it, raise cleaning.low, or fit the contact contacts.blower_running: clean filters "
        "would otherwise count as a stopped blower"
    )
    yield from table.unless(proves_flow, "blower.flow_proof", allowed, remedy, "cleaning.low")
    if not _makes_sense(transmitter):
        return
    is_apart = collector.zero_limit_pa < low_pa
    remedy = "make it smaller: a reading with the blower running could be taken as zero"
    span = "transmitter.span"
    yield from table.unless(is_apart, "zeroing.limit", low, remedy, "cleaning.low", span)
    reads_zero = transmitter.span[0].pa <= 0
    remedy = "use a transmitter that can read zero: without it no zero can be taken"
    yield from table.unless(reads_zero, span, "a low end at or below zero", remedy)


def _header(collector: Collector, table: Table) -> Iterator[Problem]:
    if collector.header is not None:
        yield from _out_of_order(table, "header.min", "header.max")
        remedy = "lower it, or fit a transmitter of a wider span"
        yield from _beyond_span(table, "header.max", "header", remedy)


def _makes_sense(analog: AnalogInput) -> bool:
    """Whether the span can be compared with at all; if not, that is reported by itself."""
    low, high = analog.span
    return low.unit is high.unit and low.pa < high.pa


def _out_of_order(
    table: Table, lower: str, upper: str, *, or_equal: bool = False
) -> Iterator[Problem]:
    """``lower`` is a pressure below ``upper``."""
    low, high = attrgetter(lower, upper)(table.section)
    if low.pa < high.pa or (or_equal and low.pa == high.pa):
        return
    at_or = "at or " if or_equal else ""
    # Speak of the one somebody wrote; the other may be a default they have never seen.
    if table.is_written(upper) or not table.is_written(lower):
        allowed = f"{at_or}above {lower} = {table.value(lower)}"
        yield table.problem(upper, allowed, f"raise it, or lower {lower}", lower)
    else:
        allowed = f"{at_or}below {upper} = {table.value(upper)}"
        yield table.problem(lower, allowed, f"lower it, or raise {upper}", upper)


def _beyond_span(table: Table, limit: str, transmitter: str, remedy: str) -> Iterator[Problem]:
    """``limit`` is a pressure that ``transmitter`` can measure."""
    analog, pressure = attrgetter(transmitter, limit)(table.section)
    top, span = analog.span[1], f"{transmitter}.span"
    if _makes_sense(analog) and pressure.pa > top.pa:
        yield table.problem(limit, f"at or below {top}, the high end of {span}", remedy, span)


def _sequencer(collector: Collector, table: Table) -> Iterator[Problem]:
    has_one = len(collector.outputs.coils) == 1
    allowed = "one coil, for kind = demand_contact"
    remedy = 'list the coil of the contact only, or choose another `kind`, such as "valves_on_off"'
    yield from table.unless(has_one, "outputs.coils", allowed, remedy, "outputs.kind")
    cycle_s, cycle = collector.pulsing.sequencer_cycle_s, "pulsing.sequencer_cycle_s"
    allowed = "a number from 1 to 86400, for kind = demand_contact"
    remedy = "set it to the number of valves times the interval set on the sequencer board"
    yield from table.unless(cycle_s is not None, cycle, allowed, remedy, "outputs.kind")
    for name in ("pulsing.order", "pulsing.on_time_s"):
        if table.is_written(name):
            remedy = "remove it: the sequencer board decides this, by its own setting"
            yield table.problem(name, "nothing, for kind = demand_contact", remedy, "outputs.kind")


def _valves(collector: Collector, table: Table) -> Iterator[Problem]:
    order, count = collector.pulsing.order, len(collector.outputs.coils)
    is_whole = order is None or sorted(order) == list(range(1, count + 1))
    allowed = f"each valve from 1 to {count} once, as outputs.coils lists {count}"
    remedy = "correct it, or remove it for an order that skips neighbours"
    yield from table.unless(is_whole, "pulsing.order", allowed, remedy, "outputs.coils")
    cycle_s, cycle = collector.pulsing.sequencer_cycle_s, "pulsing.sequencer_cycle_s"
    allowed = "nothing, except for kind = demand_contact"
    remedy = "remove it: there is no sequencer board, so order and interval give the cycle"
    yield from table.unless(cycle_s is None, cycle, allowed, remedy, "outputs.kind")


def _one_shot(collector: Collector, table: Table) -> Iterator[Problem]:
    outputs, register = collector.outputs, "outputs.one_shot_register"
    per_count = "outputs.one_shot_ms_per_count"
    if outputs.one_shot_register is None:
        if table.is_written(per_count):
            remedy = "remove it, or name the register that takes the pulse time"
            yield table.problem(per_count, "nothing without one_shot_register", remedy, register)
    elif outputs.kind is not OutputKind.VALVES_ONE_SHOT:
        allowed = "nothing, except for kind = valves_one_shot"
        remedy = "remove it, or choose kind = valves_one_shot"
        yield table.problem(register, allowed, remedy, "outputs.kind")
    else:
        on_time_ms = collector.pulsing.on_time_s * 1000
        yield from _whole(table, "pulsing.on_time_s", "on-time", on_time_ms, per_count, "ms")


def _module_watchdog(collector: Collector, table: Table) -> Iterator[Problem]:
    watchdog = collector.outputs.watchdog
    if watchdog is None:
        return
    timeout, per_count = "outputs.watchdog.timeout_s", "outputs.watchdog.s_per_count"
    yield from _whole(table, timeout, "time-out", watchdog.timeout_s, per_count, "s")
    needed_s = collector.pulsing.on_time_s + WATCHDOG_BEYOND_PULSE_S
    allowed = f"at least {needed_s:g}: a second longer than a pulse"
    remedy = "lengthen it: the module would end pulses that are in order"
    outlasts_pulse = watchdog.timeout_s >= needed_s
    yield from table.unless(outlasts_pulse, timeout, allowed, remedy, "pulsing.on_time_s")


def _whole(
    table: Table, name: str, what: str, value: float, per_count: str, unit: str
) -> Iterator[Problem]:
    """``value`` of the setting ``name`` is a whole number of counts that a register can take."""
    counts = value / attrgetter(per_count)(table.section)
    fits = abs(counts - round(counts)) <= 1e-6 and 1 <= round(counts) <= 65535
    allowed = f"a multiple of {per_count} = {table.value(per_count)} {unit}, at most 65535 of them"
    correct = f"correct {per_count.rpartition('.')[2]} by the module's manual"
    yield from table.unless(fits, name, allowed, f"choose another {what}, or {correct}", per_count)


def _times(collector: Collector, table: Table, buses: Sequence[Bus]) -> Iterator[Problem]:
    pulsing, interval = collector.pulsing, "pulsing.interval_s"
    for name in ("cleaning.timed_interval_s", "cleaning.fallback_interval_s"):
        chosen = attrgetter(name)(collector)
        is_long = chosen is None or chosen >= pulsing.interval_s
        allowed = f"at or above {interval} = {table.value(interval)}"
        remedy = f"lengthen it, or shorten {interval} if the header recovers that fast"
        yield from table.unless(is_long, name, allowed, remedy, interval)
    spares_one = collector.stale_s >= 2 * collector.poll_s
    allowed = f"at least twice poll_s = {table.value('poll_s')}"
    remedy = "lengthen it, or shorten poll_s: one late reading would stop the cleaning"
    yield from table.unless(spares_one, "stale_after_s", allowed, remedy, "poll_s")
    bus = next((bus for bus in buses if bus.name == collector.outputs.bus), None)
    if bus is not None and pulsing.report_timeout_s < _TIMEOUTS_A_COMMAND * bus.timeout_s:
        needed = f"{_TIMEOUTS_A_COMMAND * bus.timeout_s:g}"
        allowed = f"at least {needed}: {_TIMEOUTS_A_COMMAND} time-outs of the bus {bus.name}"
        timeout = f"bus[{bus.name}].timeout_s"
        remedy = f"lengthen it, or shorten {timeout}: a slow line must not pass for a dead one"
        yield table.problem("pulsing.report_timeout_s", allowed, remedy, beside=timeout)


def _flow_proof(collector: Collector, table: Table) -> Iterator[Problem]:
    """Pulses without proof of flow."""
    running, without_proof = "contacts.blower_running", "blower.timed_without_proof"
    has_contact = collector.contacts.blower_running is not None
    remedy = (
        f"fit and name the contact [collector.{running}]: that the blower has stopped must be "
        "proved; or set downtime = false"
    )
    sees_stop = has_contact or not collector.cleaning.downtime
    allowed = "false, as no blower contact is fitted"
    yield from table.unless(sees_stop, "cleaning.downtime", allowed, remedy, running)
    why = collector.blower.timed_without_proof
    # Flow that is not proved is accepted in words, and only where nothing else proves it.
    if why is not None and has_contact:
        remedy = "remove it: the contact proves flow, and no pulse but downtime goes without"
        yield table.problem(without_proof, f"nothing, as {running} is fitted", remedy, running)
    elif why is not None:
        remedy = (
            "say why timed cleaning may pulse although nothing proves flow; or remove it, and it "
            "pulses only while dP does"
        )
        yield from table.unless(why.strip(), without_proof, "a reason in words", remedy)


def _blower_request(collector: Collector, table: Table) -> Iterator[Problem]:
    request, has_coil = collector.blower.request, collector.blower.coil is not None
    if request is BlowerRequest.NONE:
        remedy = 'remove it, or set request to "process" or "hand": nothing would drive it'
        allowed = "nothing, for request = none"
        yield from table.unless(not has_coil, "blower.coil", allowed, remedy, "blower.request")
        return
    process, is_by_hand = "contacts.process_running", request is BlowerRequest.HAND
    knows_process = is_by_hand or collector.contacts.process_running is not None
    allowed = '"hand" or "none", as no contact of the process equipment is fitted'
    remedy = f'name the contact [collector.{process}], or choose "hand" or "none"'
    yield from table.unless(knows_process, "blower.request", allowed, remedy, process)
    allowed = f'an output, for request = "{request.value}"'
    remedy = 'name the output [collector.blower.coil], or set request = "none"'
    yield from table.unless(has_coil, "blower.coil", allowed, remedy, "blower.request")


def _upkeep(collector: Collector, table: Table) -> Iterator[Problem]:
    """Upkeep of the same name, or that would never be due."""
    taken: set[str] = set()
    for upkeep in collector.upkeep:
        own = Table(upkeep, f"{table.path}.upkeep[{upkeep.name}]")
        is_new = upkeep.name not in taken
        remedy = "give each upkeep a name of its own, or leave one out"
        yield from own.unless(is_new, "name", "a name no other upkeep has", remedy)
        taken.add(upkeep.name)
        given = [name for name in _INTERVALS if getattr(upkeep, name) is not None]
        if not given:
            remedy = "say when it is due, or leave it out"
            allowed = f"one or more of {', '.join(_INTERVALS)}"
            yield Problem(own.path, "no interval", allowed, remedy)
        elif given == ["every_pulses"]:
            has_pulses = collector.outputs.kind is not OutputKind.DEMAND_CONTACT
            remedy = "use every_run_h or every_days: a sequencer board reports no pulses"
            allowed = "another interval, where a sequencer board pulses"
            yield from own.unless(has_pulses, "every_pulses", allowed, remedy)


def _requests(collector: Collector, table: Table) -> Iterator[Problem]:
    """Limits that do not go with the set point itself, or would let it break another rule."""
    for each in adjustable(collector):
        if each.chosen is None:
            continue
        limits = f"requests.{each.setting.partition('.')[2]}"
        (least, most), (lowest, highest) = each.chosen, each.rules
        if not least <= each.value <= most:
            own = f"{each.setting} = {table.value(each.setting)}"
            allowed = f"limits with {own} within them, the lower one first"
            yield table.problem(limits, allowed, f"correct them, or {each.setting}", each.setting)
        elif lowest <= each.value <= highest and not (lowest <= least and most <= highest):
            shown = each.shown(each.rules, collector.shown_in)
            allowed = f"limits from {shown}, which the other settings leave it"
            yield table.problem(limits, allowed, "draw them closer together", each.setting)
