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
    transmitters = _tables(collectors, "transmitter", "header")
    yield from _buses(settings, labels)
    yield from _buses_of(_tables(collectors, *_POINTS), settings)
    for at in transmitters:
        yield from _span(at.section, at)
        yield from _counts(at.section, at)
    yield from _names(collectors)
    yield from _registers(transmitters)
    yield from _coils(_tables(collectors, "outputs", "blower.coil"))
    yield from _one_shot_registers(collectors)
    for at in collectors:
        yield from collector_problems(at.section, at.path, settings.buses)
    yield from _services(settings)


def _tables(collectors: Iterable[Table], *names: str) -> list[Table]:
    return [table for at in collectors for table in at.tables(*names)]


def _buses(settings: Settings, labels: Labels) -> Iterator[Problem]:
    names: dict[str, Table] = {}
    lines: dict[tuple[str, int | str], Table] = {}
    for index, bus in enumerate(settings.buses):
        at = Table(bus, path_of(("bus", index), labels))
        is_new = names.setdefault(bus.name, at) is at
        remedy = "give each bus a name of its own"
        yield from at.unless(is_new, "name", "a name no other bus has", remedy)
        line = (bus.host.lower(), bus.port) if isinstance(bus, TcpBus) else ("serial", bus.port)
        if (first := lines.setdefault(line, at)) is not at:
            allowed = f"a device or line of its own: {first.path} is the same one"
            remedy = "name the bus once, and let its collectors share it by its name"
            place = "host" if isinstance(bus, TcpBus) else "port"
            yield at.problem(place, allowed, remedy, beside=first.path)


def _buses_of(points: Iterable[Table], settings: Settings) -> Iterator[Problem]:
    buses = {bus.name: bus for bus in settings.buses}
    for point in points:
        bus = buses.get(point.section.bus)
        if bus is None:
            close = get_close_matches(point.section.bus, buses, n=1)
            remedy = (
                f'did you mean "{close[0]}"?' if close else "correct it, or add a table [[bus]]"
            )
            yield point.problem("bus", f"one of {', '.join(buses)}", remedy, beside="bus")
        elif isinstance(bus, SerialBus):
            is_on_line = 1 <= point.section.unit <= _LAST_RTU_UNIT
            allowed = f"1 to {_LAST_RTU_UNIT} on a serial line"
            remedy = "set the unit id that is set on the device"
            yield from point.unless(is_on_line, "unit", allowed, remedy, "bus")


def _span(analog: AnalogInput, at: Table) -> Iterator[Problem]:
    low, high = analog.span
    if low.unit is not high.unit:
        remedy = f'write both ends in "{high.unit}"'
        yield at.problem("span", "two pressures in the same unit", remedy)
    elif not low.pa < high.pa:
        yield at.problem("span", "a low end below the high end", "write the low end first")


def _counts(analog: AnalogInput, at: Table) -> Iterator[Problem]:
    counts, kind, (low, high) = analog.counts, analog.kind, analog.span
    if kind is SignalKind.FLOAT32:
        remedy = "remove it: the registers hold the pressure itself, in the unit of span"
        is_out = counts is None
        yield from at.unless(is_out, "counts", "nothing, for kind = float32", remedy, "kind")
        has_a_second = analog.register_address < 65535
        allowed = "0 to 65534, as float32 takes two"
        remedy = "give the address of the first of the two registers"
        yield from at.unless(has_a_second, "register_address", allowed, remedy, "kind")
    elif counts is None:
        allowed = "two whole numbers, for kind = scaled_integer"
        remedy = f"add `counts`: the register values at {low} and at {high}"
        yield from at.unless(kind is SignalKind.CURRENT, "counts", allowed, remedy, "kind")
    elif kind is SignalKind.SCALED_INTEGER:
        are_signed = counts[0] != counts[1] and max(counts) <= 32767
        allowed = "two different ones from -32768 to 32767"
        remedy = "give the signed register values at the two ends of span"
        yield from at.unless(are_signed, "counts", allowed, remedy, "kind")
    else:
        allowed = "values in the ratio 4 to 20, such as [4000, 20000] or [400, 2000]"
        remedy = (
            "give the register values at 4 mA and at 20 mA; for a module whose zero is not at "
            "0 mA use kind = scaled_integer"
        )
        yield from at.unless(_counts_a_loop(*counts), "counts", allowed, remedy, "kind")


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
    is_private = broker.tls is not None or broker.is_local or broker.allow_plaintext
    allowed = "a broker on this machine, as TLS is off"
    remedy = (
        f"add a table [{at.path}.tls]; an empty one is enough where the broker's certificate "
        "is publicly trusted; on a network you trust write allow_plaintext = true instead"
    )
    yield from at.unless(is_private, "host", allowed, remedy, "tls")
    for tls in at.tables("tls"):
        yield from _certificate(tls)
    names_user = broker.password_file is None or broker.username is not None
    allowed = "a user name, as password_file is given"
    remedy = "add the user name the password belongs to, or remove password_file"
    yield from at.unless(names_user, "username", allowed, remedy, "password_file")


def _certificate(at: Table) -> Iterator[Problem]:
    cert, key = "cert_file", "key_file"
    for given, missing in ((cert, key), (key, cert)):
        is_pair = getattr(at.section, given) is None or getattr(at.section, missing) is not None
        allowed = f"an absolute path, as {given} is given"
        yield from at.unless(is_pair, missing, allowed, f"add it, or remove {given}", given)


def _commands(at: Table, setting: str) -> Iterator[Problem]:
    """Requests taken from a broker that would not know who this daemon is. ``setting`` enables
    them."""
    broker: Broker = at.section
    known = broker.password_file is not None or (broker.tls is not None and broker.tls.cert_file)
    is_accepted = not getattr(broker, setting) or broker.is_local or known
    allowed = "false, as the broker would not know who this daemon is"
    remedy = "give username and password_file, or tls.cert_file and tls.key_file; or set false"
    yield from at.unless(is_accepted, setting, allowed, remedy, "password_file", "host")


def _panel(panel: Panel) -> Iterator[Problem]:
    """A page that others on the network could use without a password, or listen in to."""
    at = Table(panel, "panel")
    if panel.is_local:
        lets_somebody_in = panel.open_view or panel.users_file
        allowed, remedy = "true, as nobody can sign in", "add users_file, or set open_view = true"
        yield from at.unless(lets_somebody_in, "open_view", allowed, remedy, "users_file")
        return
    allowed = "an address of this machine, as there are no users"
    remedy = "add users_file, and users with `dustcake users add`; or use 127.0.0.1"
    yield from at.unless(panel.users_file, "host", allowed, remedy, "users_file")
    is_private = panel.tls is not None or panel.allow_plaintext
    allowed = "an address of this machine, as TLS is off"
    remedy = (
        "add a table [panel.tls] with cert_file and key_file; on a network you trust write "
        "allow_plaintext = true instead"
    )
    yield from at.unless(is_private, "host", allowed, remedy, "tls")
