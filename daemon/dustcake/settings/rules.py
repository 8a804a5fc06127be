"""Rules that join several settings, applied once each setting by itself is in order: those of the
file, that is of buses and the points on them, brokers and the panel.

Each rule yields a ``Problem``: the setting, its value, what would be allowed, and the remedy, all
in the words of the file.
"""

from collections.abc import Iterable, Iterator
from difflib import get_close_matches

from dustcake.core.setpoints import SignalKind
from dustcake.settings.buses import AnalogInput, Contacts, Outputs, SerialBus, TcpBus
from dustcake.settings.collector_rules import Table, collector_problems
from dustcake.settings.errors import Labels, Problem, path_of
from dustcake.settings.model import Settings
from dustcake.settings.services import Broker, Panel
from dustcake.settings.setpoints import LOOP_HIGH_MA, LOOP_LOW_MA

_LAST_RTU_UNIT = 247  # serial line specification (from memory); 0 is a broadcast
_LOOP_TOLERANCE = 0.005
_CONTACTS = tuple(f"contacts.{name}" for name in Contacts.model_fields)
_POINTS = ("transmitter", "header", *_CONTACTS, "outputs", "blower.coil")


def cross_problems(settings: Settings, labels: Labels) -> Iterator[Problem]:
    """Every problem in ``settings`` that only shows when settings are compared."""
    collectors = [
        Table(collector, path_of(("collector", index), labels))
        for index, collector in enumerate(settings.collectors)
    ]
    points = [point for at in collectors for point in at.tables(*_POINTS)]
    transmitters = [point for point in points if isinstance(point.section, AnalogInput)]
    yield from _buses(settings, labels)
    for point in points:
        yield from _bus_of(point, settings)
    for transmitter in transmitters:
        yield from _analog(transmitter.section, transmitter)
    yield from _names(collectors)
    yield from _registers(transmitters)
    yield from _coils(point for at in collectors for point in at.tables("outputs", "blower.coil"))
    yield from _one_shot_registers(collectors)
    for at in collectors:
        yield from collector_problems(at.section, at.path, settings.buses)
    yield from _services(settings)


def _buses(settings: Settings, labels: Labels) -> Iterator[Problem]:
    names: dict[str, Table] = {}
    lines: dict[tuple[str, int | str], Table] = {}
    for index, bus in enumerate(settings.buses):
        at = Table(bus, path_of(("bus", index), labels))
        if names.setdefault(bus.name, at) is not at:
            remedy = "give each bus a name of its own"
            yield at.problem("name", "a name no other bus has", remedy)
        line = (bus.host.lower(), bus.port) if isinstance(bus, TcpBus) else ("serial", bus.port)
        if (first := lines.setdefault(line, at)) is not at:
            allowed = f"a device or line of its own: {first.path} is the same one"
            remedy = "name the bus once, and let its collectors share it by its name"
            place = "host" if isinstance(bus, TcpBus) else "port"
            yield at.problem(place, allowed, remedy, beside=first.path)


def _bus_of(point: Table, settings: Settings) -> Iterator[Problem]:
    buses = {bus.name: bus for bus in settings.buses}
    bus = buses.get(point.section.bus)
    if bus is None:
        close = get_close_matches(point.section.bus, buses, n=1)
        remedy = f'did you mean "{close[0]}"?' if close else "correct it, or add a table [[bus]]"
        yield point.problem("bus", f"one of {', '.join(buses)}", remedy, beside="bus")
    elif isinstance(bus, SerialBus) and not 1 <= point.section.unit <= _LAST_RTU_UNIT:
        remedy = "set the unit id that is set on the device"
        yield point.problem("unit", f"1 to {_LAST_RTU_UNIT} on a serial line", remedy, "bus")


def _analog(analog: AnalogInput, at: Table) -> Iterator[Problem]:
    low, high = analog.span
    if low.unit is not high.unit:
        remedy = f'write both ends in "{high.unit}"'
        yield at.problem("span", "two pressures in the same unit", remedy)
    elif not low.pa < high.pa:
        yield at.problem("span", "a low end below the high end", "write the low end first")
    counts = analog.counts
    match analog.kind:
        case SignalKind.FLOAT32:
            if counts is not None:
                remedy = "remove it: the registers hold the pressure itself, in the unit of span"
                yield at.problem("counts", "nothing, for kind = float32", remedy, "kind")
            if analog.register_address == 65535:
                allowed = "0 to 65534, as float32 takes two"
                remedy = "give the address of the first of the two registers"
                yield at.problem("register_address", allowed, remedy, "kind")
        case SignalKind.SCALED_INTEGER:
            if counts is None:
                allowed = "two whole numbers, for kind = scaled_integer"
                remedy = f"add `counts`: the register values at {low} and at {high}"
                yield at.problem("counts", allowed, remedy, "kind")
            elif counts[0] == counts[1] or max(counts) > 32767:
                allowed = "two different ones from -32768 to 32767"
                remedy = "give the signed register values at the two ends of span"
                yield at.problem("counts", allowed, remedy, "kind")
        case SignalKind.CURRENT if counts is not None and not _counts_a_loop(*counts):
            allowed = "values in the ratio 4 to 20, such as [4000, 20000] or [400, 2000]"
            remedy = (
                "give the register values at 4 mA and at 20 mA; for a module whose zero is not at "
                "0 mA use kind = scaled_integer"
            )
            yield at.problem("counts", allowed, remedy, "kind")


def _counts_a_loop(first: int, last: int) -> bool:
    """Whether the counts are proportional to the current, as at 0 mA they read 0."""
    ratio = LOOP_LOW_MA / LOOP_HIGH_MA
    return 0 < first < last and abs(first / last - ratio) <= _LOOP_TOLERANCE * ratio


def _names(collectors: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[str, Table] = {}
    for at in collectors:
        if taken.setdefault(at.section.name.lower(), at) is not at:
            remedy = "give each collector a name of its own, not differing in capitals only"
            yield at.problem("name", "a name no other collector has", remedy)


def _registers(transmitters: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[tuple[str, int, str, int], str] = {}
    for at in transmitters:
        analog, first = at.section, at.section.register_address
        words = range(first, first + analog.word_count)
        places = [(analog.bus, analog.unit, str(analog.table), word) for word in words]
        other = next((taken[place] for place in places if place in taken), None)
        if other is not None:
            remedy = f"correct register, unit or bus here or at {other}"
            yield at.problem("register_address", f"not those of {other}", remedy, beside=other)
        taken = dict.fromkeys(places, at.path) | taken


def _coils(points: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], str] = {}
    for at in points:
        name = "coils" if isinstance(at.section, Outputs) else "coil"
        coils = at.section.coils if isinstance(at.section, Outputs) else (at.section.coil,)
        for coil in coils:
            other = taken.setdefault((at.section.bus, at.section.unit, coil), at.path)
            if other != at.path:
                allowed = f"not coil {coil}, which {other} drives"
                remedy = f"correct coil, unit or bus here or at {other}"
            elif coils.count(coil) > 1:
                allowed, remedy = "each coil once", "give each valve a coil of its own"
            else:
                continue
            yield at.problem(name, allowed, remedy, beside=other)
            break


def _one_shot_registers(collectors: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], tuple[float, str]] = {}
    for at in collectors:
        outputs, on_time_s = at.section.outputs, at.section.pulsing.on_time_s
        if outputs.one_shot_register is None:
            continue
        key = (outputs.bus, outputs.unit, outputs.one_shot_register)
        first_s, other = taken.setdefault(key, (on_time_s, at.path))
        if first_s != on_time_s:
            allowed = f"{first_s}, as {other} has: both set it in one register of one module"
            remedy = "use the same on-time for both, or an output module for each"
            yield at.problem("pulsing.on_time_s", allowed, remedy, beside=other)


def _services(settings: Settings) -> Iterator[Problem]:
    for path, what in (("mqtt", "requests"), ("sparkplug", "commands")):
        if (broker := getattr(settings, path)) is not None:
            yield from _broker(Table(broker, path))
            yield from _commands(Table(broker, path), f"{what}_enabled")
            yield from _commands(Table(broker, path), f"{what}_adjust")
    if settings.panel is not None:
        yield from _panel(settings.panel)


def _broker(at: Table) -> Iterator[Problem]:
    """A connection others could read or forge, and credentials that are not complete."""
    broker: Broker = at.section
    tls = broker.tls
    if tls is None and not broker.is_local and not broker.allow_plaintext:
        allowed = "a broker on this machine, as TLS is off"
        remedy = (
            f"add a table [{at.path}.tls]; an empty one is enough where the broker's certificate "
            "is publicly trusted; on a network you trust write allow_plaintext = true instead"
        )
        yield at.problem("host", allowed, remedy, "tls")
    if tls is not None and (tls.cert_file is None) != (tls.key_file is None):
        missing, given = ("cert_file", "key_file")[:: 1 if tls.cert_file is None else -1]
        allowed = f"an absolute path, as {given} is given"
        yield at.problem(f"tls.{missing}", allowed, f"add it, or remove {given}", f"tls.{given}")
    if broker.password_file is not None and broker.username is None:
        allowed = "a user name, as password_file is given"
        remedy = "add the user name the password belongs to, or remove password_file"
        yield at.problem("username", allowed, remedy, "password_file")


def _commands(at: Table, setting: str) -> Iterator[Problem]:
    """Requests taken from a broker that would not know who this daemon is. ``setting`` enables
    them."""
    broker: Broker = at.section
    known = broker.password_file is not None or (broker.tls is not None and broker.tls.cert_file)
    if getattr(broker, setting) and not broker.is_local and not known:
        allowed = "false, as the broker would not know who this daemon is"
        remedy = "give username and password_file, or tls.cert_file and tls.key_file; or set false"
        yield at.problem(setting, allowed, remedy, "password_file", "host")


def _panel(panel: Panel) -> Iterator[Problem]:
    """A page that others on the network could use without a password, or listen in to."""
    at = Table(panel, "panel")
    if panel.is_local:
        if not panel.open_view and panel.users_file is None:
            remedy = "add users_file, or set open_view = true"
            yield at.problem("open_view", "true, as nobody can sign in", remedy, "users_file")
        return
    if panel.users_file is None:
        allowed = "an address of this machine, as there are no users"
        remedy = "add users_file, and users with `dustcake users add`; or use 127.0.0.1"
        yield at.problem("host", allowed, remedy, "users_file")
    if panel.tls is None and not panel.allow_plaintext:
        allowed = "an address of this machine, as TLS is off"
        remedy = (
            "add a table [panel.tls] with cert_file and key_file; on a network you trust write "
            "allow_plaintext = true instead"
        )
        yield at.problem("host", allowed, remedy, "tls")
