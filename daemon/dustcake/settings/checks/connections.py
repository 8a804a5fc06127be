"""Rules of the buses and of the points on them, each by itself and none claimed twice; of the
connections to brokers, and of the panel."""

from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches

from dustcake.core.setpoints import SignalKind
from dustcake.settings.buses import (
    AnalogInput,
    CoilOutput,
    ContactInput,
    Contacts,
    Outputs,
    SerialBus,
    TcpBus,
)
from dustcake.settings.checks.ref import ref
from dustcake.settings.errors import Labels, Problem
from dustcake.settings.model import Settings
from dustcake.settings.services import Broker, Panel
from dustcake.settings.setpoints import LOOP_HIGH_MA, LOOP_LOW_MA

_LAST_RTU_UNIT = 247  # serial line specification (from memory); 0 is a broadcast
_LOOP_TOLERANCE = 0.005


@dataclass(frozen=True, slots=True)
class Point:
    """One point: the table of the file it is described by, and that table's path."""

    section: AnalogInput | ContactInput | CoilOutput | Outputs
    path: str

    @property
    def coils(self) -> tuple[int, ...]:
        """The coils it drives."""
        if isinstance(self.section, Outputs):
            return self.section.coils
        return (self.section.coil,) if isinstance(self.section, CoilOutput) else ()


def _points(settings: Settings, labels: Labels) -> Iterator[Point]:
    """All points, in the order of the file's tables."""
    for index, collector in enumerate(settings.collectors):
        path = labels.path(("collector", index))
        yield Point(collector.transmitter, f"{path}.transmitter")
        if collector.header is not None:
            yield Point(collector.header, f"{path}.header")
        for name in Contacts.model_fields:
            contact: ContactInput | None = getattr(collector.contacts, name)
            if contact is not None:
                yield Point(contact, f"{path}.contacts.{name}")
        yield Point(collector.outputs, f"{path}.outputs")
        if collector.blower.coil is not None:
            yield Point(collector.blower.coil, f"{path}.blower.coil")


def _transmitters(settings: Settings, labels: Labels) -> Iterator[tuple[AnalogInput, str]]:
    """Those among them, with their paths."""
    for point in _points(settings, labels):
        if isinstance(point.section, AnalogInput):
            yield point.section, point.path


def wiring_problems(settings: Settings, labels: Labels) -> Iterator[Problem]:
    """Points on buses that are not there, registers whose meaning does not add up, collectors of
    the same name, and points that lie on one another."""
    yield from _buses(settings, labels)
    yield from _points_by_themselves(settings, labels)
    for analog, path in _transmitters(settings, labels):
        yield from _analog(analog, path)
    yield from _names(settings, labels)
    yield from _registers(settings, labels)
    yield from _coils(settings, labels)
    yield from _one_shot_registers(settings, labels)


def _points_by_themselves(settings: Settings, labels: Labels) -> Iterator[Problem]:
    buses = {bus.name: bus for bus in settings.buses}
    for point in _points(settings, labels):
        bus_ref = ref(point.section, point.path, "bus")
        if point.section.bus not in buses:
            close = get_close_matches(point.section.bus, buses, n=1)
            remedy = (
                f'did you mean "{close[0]}"?' if close else "correct it, or add a table [[bus]]"
            )
            yield bus_ref.problem(f"one of {', '.join(buses)}", remedy, "bus")
        elif (
            isinstance(buses[point.section.bus], SerialBus)
            and not 1 <= point.section.unit <= _LAST_RTU_UNIT
        ):
            unit = ref(point.section, point.path, "unit")
            remedy = "set the unit id that is set on the device"
            yield unit.problem(f"1 to {_LAST_RTU_UNIT} on a serial line", remedy, bus_ref)


def _buses(settings: Settings, labels: Labels) -> Iterator[Problem]:
    names: dict[str, str] = {}
    lines: dict[tuple[str, int | str], str] = {}
    for index, bus in enumerate(settings.buses):
        path = labels.path(("bus", index))
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
            yield place.problem(allowed, remedy, lines[line])
        lines.setdefault(line, path)


def _analog(analog: AnalogInput, path: str) -> Iterator[Problem]:
    span, counts, kind = (ref(analog, path, name) for name in ("span", "counts", "kind"))
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
                register = ref(analog, path, "register_address")
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


def _names(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: set[str] = set()
    for index, collector in enumerate(settings.collectors):
        folded = collector.name.lower()
        if folded in taken:
            path = labels.path(("collector", index))
            remedy = "give each collector a name of its own, not differing in capitals only"
            yield ref(collector, path, "name").problem("a name no other collector has", remedy)
        taken.add(folded)


def _registers(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: dict[tuple[str, int, str, int], str] = {}
    for analog, path in _transmitters(settings, labels):
        register = ref(analog, path, "register_address")
        first = analog.register_address
        words = [
            (analog.bus, analog.unit, str(analog.table), first + offset)
            for offset in range(analog.word_count)
        ]
        other = next((taken[word] for word in words if word in taken), None)
        if other is not None:
            remedy = f"correct register, unit or bus here or at {other}"
            yield register.problem(f"not those of {other}", remedy, other)
        for word in words:
            taken.setdefault(word, path)


def _coils(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], str] = {}
    for point in _points(settings, labels):
        for coil in point.coils:
            other = taken.setdefault((point.section.bus, point.section.unit, coil), point.path)
            is_first = other == point.path and point.coils.count(coil) == 1
            if is_first:
                continue
            name = "coil" if isinstance(point.section, CoilOutput) else "coils"
            if other == point.path:
                allowed, remedy = "each coil once", "give each valve a coil of its own"
            else:
                allowed = f"not coil {coil}, which {other} drives"
                remedy = f"correct coil, unit or bus here or at {other}"
            yield ref(point.section, point.path, name).problem(allowed, remedy, other)
            break


def _one_shot_registers(settings: Settings, labels: Labels) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int], tuple[float, str]] = {}
    for index, collector in enumerate(settings.collectors):
        outputs = collector.outputs
        if outputs.one_shot_register is None:
            continue
        path = labels.path(("collector", index))
        key = (outputs.bus, outputs.unit, outputs.one_shot_register)
        on_time_s, other = taken.setdefault(key, (collector.pulsing.on_time_s, path))
        if on_time_s != collector.pulsing.on_time_s:
            on_time = ref(collector, path, "pulsing.on_time_s")
            allowed = f"{on_time_s}, as {other} has: both set it in one register of one module"
            remedy = "use the same on-time for both, or an output module for each"
            yield on_time.problem(allowed, remedy, other)


# --- brokers, and the panel


def service_problems(settings: Settings) -> Iterator[Problem]:
    """Problems of what the daemon connects to or serves."""
    for broker, path, what in (
        (settings.mqtt, "mqtt", "requests"),
        (settings.sparkplug, "sparkplug", "commands"),
    ):
        if broker is not None:
            yield from _broker(broker, path)
            yield from _commands(broker, path, f"{what}_enabled")
            yield from _commands(broker, path, f"{what}_adjust")
    if settings.panel is not None:
        yield from _panel(settings.panel)


def _broker(broker: Broker, path: str) -> Iterator[Problem]:
    """A connection others could read or forge, and credentials that are not complete. ``path``:
    the table ``broker`` stands in."""
    tls = broker.tls
    username, password_file = (ref(broker, path, name) for name in ("username", "password_file"))
    if tls is None and not broker.is_local and not broker.allow_plaintext:
        remedy = (
            f"add a table [{path}.tls]; an empty one is enough where the broker's certificate is "
            "publicly trusted; on a network you trust write allow_plaintext = true instead"
        )
        allowed = "a broker on this machine, as TLS is off"
        yield ref(broker, path, "host").problem(allowed, remedy, ref(broker, path, "tls"))
    if tls is not None and (tls.cert_file is None) != (tls.key_file is None):
        missing, given = ("cert_file", "key_file")[:: 1 if tls.cert_file is None else -1]
        absent, present = ref(tls, f"{path}.tls", missing), ref(tls, f"{path}.tls", given)
        remedy = f"add it, or remove {given}"
        yield absent.problem(f"an absolute path, as {given} is given", remedy, present)
    if broker.password_file is not None and broker.username is None:
        remedy = "add the user name the password belongs to, or remove password_file"
        yield username.problem("a user name, as password_file is given", remedy, password_file)


def _commands(broker: Broker, path: str, setting: str) -> Iterator[Problem]:
    """Requests taken from a broker that would not know who this daemon is. ``setting`` enables
    them."""
    tls = broker.tls
    known = broker.password_file is not None or (tls is not None and tls.cert_file is not None)
    if getattr(broker, setting) and not broker.is_local and not known:
        enabled, host = ref(broker, path, setting), ref(broker, path, "host")
        allowed = "false, as the broker would not know who this daemon is"
        remedy = "give username and password_file, or tls.cert_file and tls.key_file; or set false"
        yield enabled.problem(allowed, remedy, ref(broker, path, "password_file"), host)


def _panel(panel: Panel) -> Iterator[Problem]:
    """A page that others on the network could use without a password, or listen in to."""
    host, users = ref(panel, "panel", "host"), ref(panel, "panel", "users_file")
    if panel.is_local:
        if not panel.open_view and panel.users_file is None:
            opened = ref(panel, "panel", "open_view")
            remedy = "add users_file, or set open_view = true"
            yield opened.problem("true, as nobody can sign in", remedy, users)
        return
    if panel.users_file is None:
        remedy = "add users_file, and users with `dustcake users add`; or use 127.0.0.1"
        yield host.problem("an address of this machine, as there are no users", remedy, users)
    if panel.tls is None and not panel.allow_plaintext:
        remedy = (
            "add a table [panel.tls] with cert_file and key_file; on a network you trust write "
            "allow_plaintext = true instead"
        )
        tls = ref(panel, "panel", "tls")
        yield host.problem("an address of this machine, as TLS is off", remedy, tls)
