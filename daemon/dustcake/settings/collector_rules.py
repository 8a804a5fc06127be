"""Rules of one collector: its set points and limits, how it cleans and pulses, its upkeep, and what
requests may change."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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
from dustcake.units import Pressure

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

    def tables(self, *names: str) -> "list[Table]":
        """Those of the tables of these names in it that are not left out."""
        found = [(name, attrgetter(name)(self.section)) for name in names]
        return [Table(part, f"{self.path}.{name}") for name, part in found if part is not None]

    def value(self, name: str) -> str:
        """What a setting says, as text."""
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
    """What only shows when the settings of a collector, at ``path``, are compared."""
    at = Table(collector, path)
    yield from _set_points(collector, at)
    yield from _header(collector, at)
    if collector.outputs.kind is OutputKind.DEMAND_CONTACT:
        yield from _sequencer(collector, at)
    else:
        yield from _valves(collector, at)
    yield from _output_module(collector, at)
    yield from _times(collector, at, buses)
    yield from _blower(collector, at)
    yield from _upkeep(collector, at)
    yield from _requests(collector, at)


def _set_points(collector: Collector, at: Table) -> Iterator[Problem]:
    alarms, cleaning, transmitter = collector.alarms, collector.cleaning, collector.transmitter
    ladder = ("alarms.low", "cleaning.low", "cleaning.high", "alarms.replacement", "alarms.high")
    for lower, upper in pairwise(ladder):
        yield from _out_of_order(at, lower, upper, or_equal=upper == "alarms.high")
    remedy = "lower it, with the set points below it, or fit a transmitter of a wider span"
    yield from _beyond_span(at, "alarms.high", transmitter, "transmitter.span", remedy)
    if 0 < cleaning.low.pa - alarms.low.pa <= alarms.deadband.pa:
        allowed = "less than the distance from alarms.low to cleaning.low"
        remedy = "make it smaller: the low dP alarm could not clear in normal operation"
        yield at.problem("alarms.deadband", allowed, remedy, "alarms.low", "cleaning.low")
    if 0 < alarms.replacement.pa - cleaning.low.pa <= alarms.deadband.pa:
        allowed = "less than the distance from cleaning.low to alarms.replacement"
        remedy = "make it smaller: the replacement alarm could not clear after a cleaning"
        yield at.problem("alarms.deadband", allowed, remedy, "alarms.replacement", "cleaning.low")
    low = f"below cleaning.low = {at.value('cleaning.low')}"
    has_contact = collector.contacts.blower_running is not None
    if not has_contact and not collector.blower.flow_proof.pa < cleaning.low.pa:
        allowed = f"{low}, where no blower contact is fitted"
        remedy = (
            "lower it, raise cleaning.low, or fit the contact contacts.blower_running: clean "
            "filters would otherwise count as a stopped blower"
        )
        yield at.problem("blower.flow_proof", allowed, remedy, "cleaning.low")
    if not _makes_sense(transmitter):
        return
    if not collector.zero_limit_pa < cleaning.low.pa:
        remedy = "make it smaller: a reading with the blower running could be taken as zero"
        yield at.problem("zeroing.limit", low, remedy, "cleaning.low", "transmitter.span")
    if transmitter.span[0].pa > 0:
        remedy = "use a transmitter that can read zero: without it no zero can be taken"
        yield at.problem("transmitter.span", "a low end at or below zero", remedy)


def _header(collector: Collector, at: Table) -> Iterator[Problem]:
    if collector.header is not None:
        yield from _out_of_order(at, "header.min", "header.max")
        remedy = "lower it, or fit a transmitter of a wider span"
        yield from _beyond_span(at, "header.max", collector.header, "header.span", remedy)


def _makes_sense(analog: AnalogInput) -> bool:
    """Whether the span can be compared with at all; if not, that is reported by itself."""
    low, high = analog.span
    return low.unit is high.unit and low.pa < high.pa


def _out_of_order(
    at: Table, lower: str, upper: str, *, or_equal: bool = False
) -> Iterator[Problem]:
    """``lower`` is a pressure below ``upper``."""
    low: Pressure
    high: Pressure
    low, high = attrgetter(lower, upper)(at.section)
    if low.pa < high.pa or (or_equal and low.pa == high.pa):
        return
    at_or = "at or " if or_equal else ""
    # Speak of the one somebody wrote; the other may be a default they have never seen.
    if at.is_written(upper) or not at.is_written(lower):
        allowed = f"{at_or}above {lower} = {at.value(lower)}"
        yield at.problem(upper, allowed, f"raise it, or lower {lower}", lower)
    else:
        allowed = f"{at_or}below {upper} = {at.value(upper)}"
        yield at.problem(lower, allowed, f"lower it, or raise {upper}", upper)


def _beyond_span(
    at: Table, limit: str, analog: AnalogInput, span: str, remedy: str
) -> Iterator[Problem]:
    """``limit`` is a pressure that ``analog`` can measure."""
    top, pressure = analog.span[1], attrgetter(limit)(at.section)
    if _makes_sense(analog) and pressure.pa > top.pa:
        yield at.problem(limit, f"at or below {top}, the high end of {span}", remedy, span)


def _sequencer(collector: Collector, at: Table) -> Iterator[Problem]:
    if len(collector.outputs.coils) != 1:
        allowed = "one coil, for kind = demand_contact"
        remedy = (
            'list the coil of the contact only, or choose another `kind`, such as "valves_on_off"'
        )
        yield at.problem("outputs.coils", allowed, remedy, "outputs.kind")
    if collector.pulsing.sequencer_cycle_s is None:
        allowed = "a number from 1 to 86400, for kind = demand_contact"
        remedy = "set it to the number of valves times the interval set on the sequencer board"
        yield at.problem("pulsing.sequencer_cycle_s", allowed, remedy, "outputs.kind")
    for name in ("pulsing.order", "pulsing.on_time_s"):
        if at.is_written(name):
            remedy = "remove it: the sequencer board decides this, by its own setting"
            yield at.problem(name, "nothing, for kind = demand_contact", remedy, "outputs.kind")


def _valves(collector: Collector, at: Table) -> Iterator[Problem]:
    order, count = collector.pulsing.order, len(collector.outputs.coils)
    if order is not None and sorted(order) != list(range(1, count + 1)):
        allowed = f"each valve from 1 to {count} once, as outputs.coils lists {count}"
        remedy = "correct it, or remove it for an order that skips neighbours"
        yield at.problem("pulsing.order", allowed, remedy, "outputs.coils")
    if collector.pulsing.sequencer_cycle_s is not None:
        allowed = "nothing, except for kind = demand_contact"
        remedy = "remove it: there is no sequencer board, so order and interval give the cycle"
        yield at.problem("pulsing.sequencer_cycle_s", allowed, remedy, "outputs.kind")


def _output_module(collector: Collector, at: Table) -> Iterator[Problem]:
    outputs, on_time_s = collector.outputs, collector.pulsing.on_time_s
    register, per_count = "outputs.one_shot_register", "outputs.one_shot_ms_per_count"
    if outputs.one_shot_register is None:
        if at.is_written(per_count):
            remedy = "remove it, or name the register that takes the pulse time"
            yield at.problem(per_count, "nothing without one_shot_register", remedy, register)
    elif outputs.kind is not OutputKind.VALVES_ONE_SHOT:
        allowed = "nothing, except for kind = valves_one_shot"
        remedy = "remove it, or choose kind = valves_one_shot"
        yield at.problem(register, allowed, remedy, "outputs.kind")
    elif not _fits_a_register(on_time_s * 1000 / outputs.one_shot_ms_per_count):
        allowed = f"a multiple of {per_count} = {at.value(per_count)} ms, at most 65535 of them"
        remedy = "choose another on-time, or correct one_shot_ms_per_count by the module's manual"
        yield at.problem("pulsing.on_time_s", allowed, remedy, per_count)
    watchdog = outputs.watchdog
    if watchdog is None:
        return
    timeout, per_count = "outputs.watchdog.timeout_s", "outputs.watchdog.s_per_count"
    if not _fits_a_register(watchdog.timeout_s / watchdog.s_per_count):
        allowed = f"a multiple of {per_count} = {at.value(per_count)} s, at most 65535 of them"
        remedy = "choose another time-out, or correct s_per_count by the module's manual"
        yield at.problem(timeout, allowed, remedy, per_count)
    needed_s = on_time_s + WATCHDOG_BEYOND_PULSE_S
    if watchdog.timeout_s < needed_s:
        allowed = f"at least {needed_s:g}: a second longer than a pulse"
        remedy = "lengthen it: the module would end pulses that are in order"
        yield at.problem(timeout, allowed, remedy, "pulsing.on_time_s")


def _fits_a_register(counts: float) -> bool:
    return abs(counts - round(counts)) <= 1e-6 and 1 <= round(counts) <= 65535


def _times(collector: Collector, at: Table, buses: Sequence[Bus]) -> Iterator[Problem]:
    pulsing, interval = collector.pulsing, "pulsing.interval_s"
    for name in ("cleaning.timed_interval_s", "cleaning.fallback_interval_s"):
        chosen = attrgetter(name)(collector)
        if chosen is not None and chosen < pulsing.interval_s:
            allowed = f"at or above {interval} = {at.value(interval)}"
            remedy = f"lengthen it, or shorten {interval} if the header recovers that fast"
            yield at.problem(name, allowed, remedy, interval)
    if collector.stale_s < 2 * collector.poll_s:
        allowed = f"at least twice poll_s = {at.value('poll_s')}"
        remedy = "lengthen it, or shorten poll_s: one late reading would stop the cleaning"
        yield at.problem("stale_after_s", allowed, remedy, "poll_s")
    bus = next((bus for bus in buses if bus.name == collector.outputs.bus), None)
    if bus is not None and pulsing.report_timeout_s < _TIMEOUTS_A_COMMAND * bus.timeout_s:
        needed = f"{_TIMEOUTS_A_COMMAND * bus.timeout_s:g}"
        allowed = f"at least {needed}: {_TIMEOUTS_A_COMMAND} time-outs of the bus {bus.name}"
        timeout = f"bus[{bus.name}].timeout_s"
        remedy = f"lengthen it, or shorten {timeout}: a slow line must not pass for a dead one"
        yield at.problem("pulsing.report_timeout_s", allowed, remedy, beside=timeout)


def _blower(collector: Collector, at: Table) -> Iterator[Problem]:
    contacts, request, coil = collector.contacts, collector.blower.request, collector.blower.coil
    running, process = "contacts.blower_running", "contacts.process_running"
    if collector.cleaning.downtime and contacts.blower_running is None:
        remedy = (
            f"fit and name the contact [collector.{running}]: that the blower has stopped must be "
            "proved; or set downtime = false"
        )
        allowed = "false, as no blower contact is fitted"
        yield at.problem("cleaning.downtime", allowed, remedy, running)
    why, without_proof = collector.blower.timed_without_proof, "blower.timed_without_proof"
    # Flow that is not proved is accepted in words, and only where nothing else proves it.
    if why is not None and contacts.blower_running is not None:
        remedy = "remove it: the contact proves flow, and no pulse but downtime goes without"
        yield at.problem(without_proof, f"nothing, as {running} is fitted", remedy, running)
    elif why is not None and not why.strip():
        remedy = (
            "say why timed cleaning may pulse although nothing proves flow; or remove it, and it "
            "pulses only while dP does"
        )
        yield at.problem(without_proof, "a reason in words", remedy)
    if request is BlowerRequest.PROCESS and contacts.process_running is None:
        allowed = '"hand" or "none", as no contact of the process equipment is fitted'
        remedy = f'name the contact [collector.{process}], or choose "hand" or "none"'
        yield at.problem("blower.request", allowed, remedy, process)
    if request is not BlowerRequest.NONE and coil is None:
        allowed = f'an output, for request = "{request.value}"'
        remedy = 'name the output [collector.blower.coil], or set request = "none"'
        yield at.problem("blower.coil", allowed, remedy, "blower.request")
    if request is BlowerRequest.NONE and coil is not None:
        remedy = 'remove it, or set request to "process" or "hand": nothing would drive it'
        yield at.problem("blower.coil", "nothing, for request = none", remedy, "blower.request")


def _upkeep(collector: Collector, at: Table) -> Iterator[Problem]:
    """Upkeep of the same name, or that would never be due."""
    taken: set[str] = set()
    for upkeep in collector.upkeep:
        own = Table(upkeep, f"{at.path}.upkeep[{upkeep.name}]")
        if upkeep.name in taken:
            remedy = "give each upkeep a name of its own, or leave one out"
            yield own.problem("name", "a name no other upkeep has", remedy)
        taken.add(upkeep.name)
        given = [name for name in _INTERVALS if getattr(upkeep, name) is not None]
        if not given:
            remedy = "say when it is due, or leave it out"
            allowed = f"one or more of {', '.join(_INTERVALS)}"
            yield Problem(own.path, "no interval", allowed, remedy)
        if given == ["every_pulses"] and collector.outputs.kind is OutputKind.DEMAND_CONTACT:
            remedy = "use every_run_h or every_days: a sequencer board reports no pulses"
            allowed = "another interval, where a sequencer board pulses"
            yield own.problem("every_pulses", allowed, remedy)


def _requests(collector: Collector, at: Table) -> Iterator[Problem]:
    """Limits that do not go with the set point itself, or would let it break another rule."""
    for each in adjustable(collector):
        if each.chosen is None:
            continue
        limits = f"requests.{each.setting.partition('.')[2]}"
        (least, most), (lowest, highest) = each.chosen, each.rules
        if not least <= each.value <= most:
            own = f"{each.setting} = {at.value(each.setting)}"
            allowed = f"limits with {own} within them, the lower one first"
            yield at.problem(limits, allowed, f"correct them, or {each.setting}", each.setting)
        elif lowest <= each.value <= highest and not (lowest <= least and most <= highest):
            shown = each.shown(each.rules, collector.shown_in)
            allowed = f"limits from {shown}, which the other settings leave it"
            yield at.problem(limits, allowed, "draw them closer together", each.setting)
