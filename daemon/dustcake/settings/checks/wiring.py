"""Rules of the buses, and of each point on them by itself."""

from collections.abc import Iterator
from difflib import get_close_matches

from dustcake.core.setpoints import SignalKind
from dustcake.settings.buses import SerialBus, TcpBus
from dustcake.settings.checks.points import Point, analog_points, points_of
from dustcake.settings.checks.ref import ref
from dustcake.settings.errors import Labels, Problem
from dustcake.settings.model import Settings
from dustcake.settings.setpoints import LOOP_HIGH_MA, LOOP_LOW_MA

_LAST_RTU_UNIT = 247  # serial line specification (from memory); 0 is a broadcast
_LOOP_TOLERANCE = 0.005


def wiring_problems(settings: Settings, labels: Labels) -> Iterator[Problem]:
    """Points on buses that are not there, and registers whose meaning does not add up."""
    yield from _buses(settings, labels)
    buses = {bus.name: bus for bus in settings.buses}
    for point in points_of(settings, labels):
        bus_ref = ref(point.section, point.path, "bus")
        if point.bus not in buses:
            close = get_close_matches(point.bus, buses, n=1)
            remedy = (
                f'did you mean "{close[0]}"?' if close else "correct it, or add a table [[bus]]"
            )
            yield Problem(
                bus_ref.path, bus_ref.value, f"one of {', '.join(buses)}", remedy, ("bus",)
            )
        elif isinstance(buses[point.bus], SerialBus) and not 1 <= point.unit <= _LAST_RTU_UNIT:
            unit = ref(point.section, point.path, "unit")
            remedy = "set the unit id that is set on the device"
            yield unit.problem(f"1 to {_LAST_RTU_UNIT} on a serial line", remedy, bus_ref)
    for point in analog_points(settings, labels):
        yield from _analog(point)


def _buses(settings: Settings, labels: Labels) -> Iterator[Problem]:
    names: dict[str, str] = {}
    lines: dict[tuple[str, int | str], str] = {}
    for index, bus in enumerate(settings.buses):
        path = f"bus[{labels.of('bus', index)}]"
        name = ref(bus, path, "name")
        if bus.name in names:
            remedy = "give each bus a name of its own"
            yield name.problem("a name no other bus has", remedy)
        names.setdefault(bus.name, path)
        line = (bus.host.lower(), bus.port) if isinstance(bus, TcpBus) else ("serial", bus.port)
        if line in lines:
            remedy = "name the bus once, and let its collectors share it by its name"
            place = ref(bus, path, "host" if isinstance(bus, TcpBus) else "port")
            allowed = f"a device or line of its own: {lines[line]} is the same one"
            yield Problem(place.path, place.value, allowed, remedy, (lines[line],))
        lines.setdefault(line, path)


def _analog(point: Point) -> Iterator[Problem]:
    analog = point.analog
    if analog is None:
        return
    span, counts, kind = (ref(analog, point.path, name) for name in ("span", "counts", "kind"))
    low, high = analog.span
    if low.unit is not high.unit:
        yield span.problem("two pressures in the same unit", f'write both ends in "{high.unit}"')
    elif not low.pa < high.pa:
        yield span.problem("a low end below the high end", "write the low end first")
    match analog.kind:
        case SignalKind.FLOAT32:
            if analog.counts is not None:
                remedy = "remove it: the registers hold the pressure itself, in the unit of span"
                yield counts.problem("nothing, for kind = float32", remedy, kind)
            if analog.register_address == 65535:
                register = ref(analog, point.path, "register_address")
                remedy = "give the address of the first of the two registers"
                yield register.problem("0 to 65534, as float32 takes two", remedy, kind)
        case SignalKind.SCALED_INTEGER:
            if analog.counts is None:
                remedy = f"add `counts`: the register values at {low} and at {high}"
                yield counts.problem("two whole numbers, for kind = scaled_integer", remedy, kind)
            elif analog.counts[0] == analog.counts[1] or max(analog.counts) > 32767:
                remedy = "give the signed register values at the two ends of span"
                yield counts.problem("two different ones from -32768 to 32767", remedy, kind)
        case SignalKind.CURRENT:
            if analog.counts is not None and not _counts_a_loop(*analog.counts):
                remedy = (
                    "give the register values at 4 mA and at 20 mA; for a module whose zero is "
                    "not at 0 mA use kind = scaled_integer"
                )
                allowed = "values in the ratio 4 to 20, such as [4000, 20000] or [400, 2000]"
                yield counts.problem(allowed, remedy, kind)


def _counts_a_loop(first: int, last: int) -> bool:
    """Whether the counts are proportional to the current, as at 0 mA they read 0."""
    ratio = LOOP_LOW_MA / LOOP_HIGH_MA
    return 0 < first < last and abs(first / last - ratio) <= _LOOP_TOLERANCE * ratio
