"""Rules that join several settings, applied once each setting by itself is in order: those of the
file, that is of buses and the points on them, brokers and the panel.

Each rule yields a ``Problem``: the setting, its value, what would be allowed, and the remedy, all
in the words of the file.
"""

from collections.abc import Iterable, Iterator
from difflib import get_close_matches
from itertools import permutations

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
    transmitters = _tables(collectors, "transmitter", "header")
    yield from _buses(settings, labels)
    yield from _buses_of(_tables(collectors, *_POINTS), settings)
    for table in transmitters:
        yield from _span(table)
        yield from _counts(table)
    yield from _names(collectors)
    yield from _registers(transmitters)
    yield from _coils(_tables(collectors, "outputs", "blower.coil"))
    yield from _one_shot_registers(collectors)
    for table in collectors:
        yield from collector_problems(table.section, table.path, settings.buses)
    yield from _services(settings)


def _tables(collectors: Iterable[Table], *names: str) -> list[Table]:
    return [table for collector in collectors for table in collector.tables(*names)]


def _buses(settings: Settings, labels: Labels) -> Iterator[Problem]:
    names: dict[str, Table] = {}
    lines: dict[tuple[str, int | str], Table] = {}
    for index, bus in enumerate(settings.buses):
        table = Table(bus, path_of(("bus", index), labels))
        is_new = names.setdefault(bus.name, table) is table
        remedy = "give each bus a name of its own"
        yield from table.unless(is_new, "name", "a name no other bus has", remedy)
        line = (bus.host.lower(), bus.port) if isinstance(bus, TcpBus) else ("serial", bus.port)
        if (first := lines.setdefault(line, table)) is not table:
            allowed = f"a device or line of its own: {first.path} is the same one"
            remedy = "name the bus once, and let its collectors share it by its name"
            place = "host" if isinstance(bus, TcpBus) else "port"
            yield table.problem(place, allowed, remedy, beside=first.path)


def _buses_of(points: Iterable[Table], settings: Settings) -> Iterator[Problem]:
    buses = {bus.name: bus for bus in settings.buses}
    for point in points:
        bus = buses.get(point.section.bus)
        if bus is None:
            close = get_close_matches(point.section.bus, buses, n=1)
            remedy = "correct it, or add a table [[bus]]"
            if close:
                remedy = f'did you mean "{close[0]}"?'
            yield point.problem("bus", f"one of {', '.join(buses)}", remedy, beside="bus")
        elif isinstance(bus, SerialBus):
            is_on_line = 1 <= point.section.unit <= _LAST_RTU_UNIT
            allowed = f"1 to {_LAST_RTU_UNIT} on a serial line"
            remedy = "set the unit id that is set on the device"
            yield from point.unless(is_on_line, "unit", allowed, remedy, "bus")


def _span(table: Table) -> Iterator[Problem]:
    low, high = table.section.span
    if low.unit is not high.unit:
        remedy = f'write both ends in "{high.unit}"'
        yield table.problem("span", "two pressures in the same unit", remedy)
    elif not low.pa < high.pa:
        yield table.problem("span", "a low end below the high end", "write the low end first")


def _counts(table: Table) -> Iterator[Problem]:
    analog: AnalogInput = table.section
    counts, kind, (low, high) = analog.counts, analog.kind, analog.span
    if kind is SignalKind.FLOAT32:
        remedy = "remove it: the registers hold the pressure itself, in the unit of span"
        allowed = "nothing, for kind = float32"
        yield from table.unless(counts is None, "counts", allowed, remedy, "kind")
        has_a_second = analog.register_address < 65535
        allowed = "0 to 65534, as float32 takes two"
        remedy = "give the address of the first of the two registers"
        yield from table.unless(has_a_second, "register_address", allowed, remedy, "kind")
    elif counts is None:
        allowed = "two whole numbers, for kind = scaled_integer"
        remedy = f"add `counts`: the register values at {low} and at {high}"
        yield from table.unless(kind is SignalKind.CURRENT, "counts", allowed, remedy, "kind")
    elif kind is SignalKind.SCALED_INTEGER:
        are_signed = counts[0] != counts[1] and max(counts) <= 32767
        allowed = "two different ones from -32768 to 32767"
        remedy = "give the signed register values at the two ends of span"
        yield from table.unless(are_signed, "counts", allowed, remedy, "kind")
    else:
        allowed = "values in the ratio 4 to 20, such as [4000, 20000] or [400, 2000]"
        remedy = (
            "give the register values at 4 mA and at 20 mA; for a module whose zero is not at "
            "0 mA use kind = scaled_integer"
        )
        yield from table.unless(_counts_a_loop(*counts), "counts", allowed, remedy, "kind")


def _counts_a_loop(first: int, last: int) -> bool:
    """Whether the counts are proportional to the current, as at 0 mA they read 0."""
    ratio = LOOP_LOW_MA / LOOP_HIGH_MA
    return 0 < first < last and abs(first / last - ratio) <= _LOOP_TOLERANCE * ratio


def _names(collectors: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[str, Table] = {}
    remedy = "give each collector a name of its own, not differing in capitals only"
    for table in collectors:
        is_new = taken.setdefault(table.section.name.lower(), table) is table
        yield from table.unless(is_new, "name", "a name no other collector has", remedy)


def _registers(transmitters: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[tuple[str, int, str, int], str] = {}
    for table in transmitters:
        analog, first = table.section, table.section.register_address
        words = range(first, first + analog.word_count)
        places = [(analog.bus, analog.unit, str(analog.table), word) for word in words]
        other = next((taken[place] for place in places if place in taken), None)
        if other is not None:
            remedy = f"correct register, unit or bus here or at {other}"
            yield table.problem("register_address", f"not those of {other}", remedy, beside=other)
        taken = dict.fromkeys(places, table.path) | taken


def _coils(points: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], str] = {}
    for table in points:
        has_valves = isinstance(table.section, Outputs)
        name, coils = (
            ("coils", table.section.coils) if has_valves else ("coil", (table.section.coil,))
        )
        for coil in coils:
            other = taken.setdefault((table.section.bus, table.section.unit, coil), table.path)
            if other != table.path:
                allowed = f"not coil {coil}, which {other} drives"
                remedy = f"correct coil, unit or bus here or at {other}"
            elif coils.count(coil) > 1:
                allowed, remedy = "each coil once", "give each valve a coil of its own"
            else:
                continue
            yield table.problem(name, allowed, remedy, beside=other)
            break


def _one_shot_registers(collectors: Iterable[Table]) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], tuple[float, str]] = {}
    for table in collectors:
        outputs, on_time_s = table.section.outputs, table.section.pulsing.on_time_s
        if outputs.one_shot_register is None:
            continue
        key = (outputs.bus, outputs.unit, outputs.one_shot_register)
        first_s, other = taken.setdefault(key, (on_time_s, table.path))
        if first_s != on_time_s:
            allowed = f"{first_s}, as {other} has: both set it in one register of one module"
            remedy = "use the same on-time for both, or an output module for each"
            yield table.problem("pulsing.on_time_s", allowed, remedy, beside=other)


def _services(settings: Settings) -> Iterator[Problem]:
    for path, what in (("mqtt", "requests"), ("sparkplug", "commands")):
        if (broker := getattr(settings, path)) is not None:
            yield from _broker(Table(broker, path))
            yield from _commands(Table(broker, path), f"{what}_enabled", f"{what}_adjust")
    if settings.panel is not None:
        yield from _panel(settings.panel)


def _broker(table: Table) -> Iterator[Problem]:
    """A connection others could read or forge, and credentials that are not complete."""
    broker: Broker = table.section
    is_private = broker.tls is not None or broker.is_local or broker.allow_plaintext
    allowed = "a broker on this machine, as TLS is off"
    remedy = (
        f"add a table [{table.path}.tls]; an empty one is enough where the broker's certificate "
        "is publicly trusted; on a network you trust write allow_plaintext = true instead"
    )
    yield from table.unless(is_private, "host", allowed, remedy, "tls")
    for tls in table.tables("tls"):
        yield from _certificate(tls)
    names_user = broker.password_file is None or broker.username is not None
    allowed = "a user name, as password_file is given"
    remedy = "add the user name the password belongs to, or remove password_file"
    yield from table.unless(names_user, "username", allowed, remedy, "password_file")


def _certificate(table: Table) -> Iterator[Problem]:
    for given, missing in permutations(("cert_file", "key_file")):
        is_pair = not getattr(table.section, given) or getattr(table.section, missing)
        allowed = f"an absolute path, as {given} is given"
        yield from table.unless(is_pair, missing, allowed, f"add it, or remove {given}", given)


def _commands(table: Table, *enabling: str) -> Iterator[Problem]:
    """Requests taken from a broker that would not know who this daemon is."""
    broker: Broker = table.section
    is_known = broker.password_file or (broker.tls is not None and broker.tls.cert_file)
    allowed = "false, as the broker would not know who this daemon is"
    remedy = "give username and password_file, or tls.cert_file and tls.key_file; or set false"
    for setting in enabling:
        is_accepted = broker.is_local or is_known or not getattr(broker, setting)
        yield from table.unless(is_accepted, setting, allowed, remedy, "password_file", "host")


def _panel(panel: Panel) -> Iterator[Problem]:
    """A page that others on the network could use without a password, or listen in to."""
    table = Table(panel, "panel")
    if panel.is_local:
        lets_somebody_in = panel.open_view or panel.users_file
        allowed, remedy = "true, as nobody can sign in", "add users_file, or set open_view = true"
        yield from table.unless(lets_somebody_in, "open_view", allowed, remedy, "users_file")
        return
    allowed = "an address of this machine, as there are no users"
    remedy = "add users_file, and users with `dustcake users add`; or use 127.0.0.1"
    yield from table.unless(panel.users_file, "host", allowed, remedy, "users_file")
    is_private = panel.tls is not None or panel.allow_plaintext
    allowed = "an address of this machine, as TLS is off"
    remedy = (
        "add a table [panel.tls] with cert_file and key_file; on a network you trust write "
        "allow_plaintext = true instead"
    )
    yield from table.unless(is_private, "host", allowed, remedy, "tls")
