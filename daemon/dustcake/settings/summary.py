"""The settings as they were understood, in plain words."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain
from operator import attrgetter
from types import MappingProxyType
from typing import Any

from dustcake.core.blower import PROOF_KEPT
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import (
    BlowerRequest,
    OnBadReading,
    OutputKind,
    SignalKind,
    neighbours_in_succession,
)
from dustcake.settings.buses import AnalogInput, SerialBus, TcpBus
from dustcake.settings.extras import missing_extras
from dustcake.settings.model import Collector, Settings
from dustcake.settings.services import Broker, Metrics, Mqtt, Panel, Plc, Sparkplug
from dustcake.settings.setpoints import MICROAMPERES, adjustable
from dustcake.units import PressureUnit, show, show_with_pa


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement about ``subject``. ``caution``: something that wants thinking about."""

    subject: str
    text: str
    caution: bool = False


class _Caution(str):
    """A text that is a caution."""


def summary(settings: Settings) -> Iterator[Statement]:
    """Statements about all of ``settings``, subject by subject."""
    for subject, texts in _subjects(settings):
        for text in texts:
            yield Statement(subject, str(text), caution=isinstance(text, _Caution))


def _subjects(settings: Settings) -> Iterator[tuple[str, Iterable[str]]]:
    for bus in settings.buses:
        yield f"bus {bus.name}", [_bus(bus)]
    parts = (_readings, _cleaning, _flow, _pulses, _requests, _alarms, _air)
    cautions = (_not_fitted, _alarms_off, _without_flow, _order)
    for collector in settings.collectors:
        subject = f"collector {collector.name}"
        yield subject, chain.from_iterable(part(collector) for part in parts)
        yield subject, map(_Caution, chain.from_iterable(part(collector) for part in cautions))
    yield "daemon", _daemon(settings)
    for table, texts in _SERVICES.items():
        if (section := getattr(settings, table)) is not None:
            yield table, texts(settings, section)
    for extra, wrong in missing_extras(settings).items():
        yield extra, [_Caution("; ".join(wrong))]


def _bus(bus: TcpBus | SerialBus) -> str:
    if isinstance(bus, SerialBus):
        where = f"Modbus RTU on {bus.port}, {bus.baud} bit/s, parity {bus.parity}"
    else:
        where = f"Modbus TCP at {bus.host} port {bus.port}"
    return f"{where}; {bus.timeout_s:g} s for a reply, reads tried {1 + bus.retries} times"


def _readings(collector: Collector) -> Iterator[str]:
    every = f"read every {collector.poll_s:g} s, shown in {collector.display_unit}"
    yield f"dP: {_analog(collector.transmitter)}; {every}"
    if (header := collector.header) is not None:
        low, high = (f"{p} ({show(p.pa, PressureUnit.KPA)})" for p in (header.min, header.max))
        yield f"header pressure: {_analog(header)}; pulses only from {low} to {high}"


def _analog(analog: AnalogInput) -> str:
    low, high = analog.span
    place = f"bus {analog.bus}, unit {analog.unit}, {analog.table} register"
    address = analog.register_address
    if analog.kind is SignalKind.FLOAT32:
        order = analog.word_order.upper()
        registers = f"{place}s {address} and {address + 1}"
        return f"{registers}, float32 {order} in {low.unit}, {low} to {high}"
    first, last = analog.counts or MICROAMPERES
    form = "4-20 mA as" if analog.kind is SignalKind.CURRENT else "signed"
    return f"{place} {address}, {form} {first} to {last}, {low} to {high}"


def _cleaning(collector: Collector) -> Iterator[str]:
    cleaning, unit = collector.cleaning, collector.shown_in
    low, high = (show_with_pa(p.pa, unit) for p in (cleaning.low, cleaning.high))
    delay = f" for {cleaning.on_delay_s:g} s" if cleaning.on_delay_s else ""
    on_demand = f"on-demand cleaning starts at {high}{delay} and stops at {low}"
    match cleaning.mode:
        case Mode.ON_DEMAND:
            yield f"{on_demand}; this is the mode at the first start"
        case Mode.TIMED:
            every = f"a pulse every {collector.timed_interval_s:g} s"
            yield f"timed cleaning at the first start: {every}"
            yield f"if somebody selects it, {on_demand}"
        case Mode.OFF:
            yield f"no cleaning until somebody selects a mode; if selected, {on_demand}"
    cycles = f"{cleaning.max_cycles} full cycles without reaching {low}"
    yield f"after {cycles} it rests {cleaning.rest_s:g} s"


def _flow(collector: Collector) -> Iterator[str]:
    """What proves flow, what pulses without, and what follows when dP is lost."""
    cleaning, blower = collector.cleaning, collector.blower
    if collector.contacts.blower_running is not None:
        but = ", but for downtime cleaning" if cleaning.downtime else ""
        yield f"no cleaning pulses unless the blower contact proves it running{but}"
        if cleaning.on_bad_reading is OnBadReading.TIMED:
            yield (
                f"on demand, while dP cannot be trusted for {cleaning.fallback_delay_s:g} s: a "
                f"pulse every {collector.fallback_interval_s:g} s, if the blower is proved running"
            )
        else:
            yield "while dP cannot be trusted: no pulses on demand"
        yield "timed cleaning needs no dP"
        return
    proof = show_with_pa(blower.flow_proof.pa, collector.shown_in)
    kept = show_with_pa(blower.flow_proof.pa * PROOF_KEPT, collector.shown_in)
    waived = blower.timed_without_proof is not None
    what = "no pulses on demand" if waived else "no cleaning pulses"
    yield (
        f"{what} unless dP proves flow: from {proof} on, until it is below {kept} or cannot be "
        f"trusted; a run that lacks the proof for {collector.stale_s:g} s ends"
    )
    yield f"while dP cannot be trusted: {what}"
    if waived:
        yield "timed cleaning pulses without proof of flow, and needs no dP"


def _pulses(collector: Collector) -> Iterator[str]:
    cleaning, outputs, pulsing = collector.cleaning, collector.outputs, collector.pulsing
    if cleaning.downtime:
        yield (
            f"downtime cleaning: {cleaning.downtime_passes} full cycles, once the blower has been "
            f"off {cleaning.downtime_spin_down_s:g} s"
        )
    place = f"bus {outputs.bus}, unit {outputs.unit}"
    coils = ", ".join(map(str, outputs.coils))
    if outputs.kind is OutputKind.DEMAND_CONTACT:
        yield (
            f"a sequencer board pulses while coil {coils} ({place}) is closed, one cycle in "
            f"{pulsing.sequencer_cycle_s:g} s"
        )
    else:
        ends = "the output module" if outputs.kind is OutputKind.VALVES_ONE_SHOT else "the daemon"
        order = ", ".join(map(str, collector.order))
        yield (
            f"{len(outputs.coils)} valves on coils {coils} ({place}), in the order {order}: "
            f"{pulsing.on_time_s:g} s every {pulsing.interval_s:g} s, each pulse ended by {ends}"
        )
    if outputs.watchdog is not None:
        yield (
            "the output module switches all its outputs off by itself "
            f"{outputs.watchdog.timeout_s:g} s after the last request: so long at most a valve "
            "stays on if the daemon dies"
        )
    if collector.blower.request is not BlowerRequest.NONE:
        by_process = collector.blower.request is BlowerRequest.PROCESS
        by = "follows the process equipment" if by_process else "is made by hand"
        yield f"the blower run request {by}, and is withdrawn on smoke"


def _requests(collector: Collector) -> Iterator[str]:
    limits = ", ".join(
        f"{each.name} {each.shown(each.band, collector.shown_in)}" for each in adjustable(collector)
    )
    if limits:
        yield f"by request, confirmed within {collector.requests.confirm_within_s:g} s: {limits}"
    else:
        yield "set points are changed in this file only"


def _alarms(collector: Collector) -> Iterator[str]:
    alarms, unit = collector.alarms, collector.shown_in
    limits = (alarms.replacement, alarms.high, alarms.low, alarms.deadband)
    replacement, high, low, deadband = (show_with_pa(limit.pa, unit) for limit in limits)
    fitted = collector.contacts.blower_running is not None
    and_low = f", low dP alarm at {low}" if fitted else ""
    yield f"filter replacement above {replacement} after {alarms.replacement_cycles} full cycles"
    yield f"high dP alarm at {high}{and_low}, deadband {deadband}"
    yield f"zero may be taken within {show_with_pa(collector.zero_limit_pa, unit)} of zero"


def _air(collector: Collector) -> Iterator[str]:
    air = collector.air
    if collector.outputs.kind is OutputKind.DEMAND_CONTACT:
        yield "air of the pulses is not counted: a sequencer board reports none"
        return
    rated = f"{air.rated_pulse_l:g} L of free air (20 C, {air.reference})"
    if collector.header is not None and air.header_volume_l is not None:
        fall = f"the fall of header pressure in {air.header_volume_l:g} L"
        yield f"air of a pulse by {fall}; where that cannot be seen, {rated}"
    else:
        yield f"air of a pulse as rated: {rated}"
    price = f"{air.price_per_kwh:g} {air.currency} for a kWh"
    yield f"{air.energy_kwh_per_m3:g} kWh for a m3 of it, {price}"


def _daemon(settings: Settings) -> Iterator[str]:
    journal = settings.journal
    yield f"site {settings.site.name}"
    yield f"journal {journal.path}, readings stored every {journal.flush_s:g} s"
    yield (
        f"kept: every event; readings {journal.raw_days:g} days, statistics of minutes "
        f"{journal.minutes_days:g} days, both within {journal.max_size_mb} MB"
    )
    yield f"local requests over {settings.control.socket}"
    if settings.mqtt is None and settings.sparkplug is None:
        yield "nothing is published: there is neither a table [mqtt] nor [sparkplug]"


def _broker(broker: Broker, client_id: str) -> Iterator[str]:
    security = "without TLS" if broker.tls is None else "with TLS"
    yield (
        f"MQTT {broker.version} to {broker.host} port {broker.port_used} {security}, "
        f"client identifier {client_id}"
    )
    if broker.tls is None and not broker.is_local:
        yield _Caution(
            "others on the network can read and forge what is sent, as allow_plaintext is set"
        )
    if broker.tls is not None and not broker.tls.verify:
        yield _Caution(
            "the broker's certificate is not checked: anybody could pretend to be the broker"
        )


def _mqtt(settings: Settings, mqtt: Mqtt) -> Iterator[str]:
    yield from _broker(mqtt, settings.client_id("mqtt"))
    topics = ", ".join(f"{mqtt.root}/{collector.name}/" for collector in settings.collectors)
    yield (
        f"topics below {topics}; a measurement when dP has changed by {mqtt.dp_deadband}, header "
        f"pressure by {mqtt.header_deadband} or a contact, and every {mqtt.measurement_every_s:g} s"
    )
    yield _taken("requests over MQTT", mqtt.requests_enabled, mqtt.requests_adjust)
    if mqtt.requests_enabled or mqtt.requests_adjust:
        who = "checked by the broker" if mqtt.names_checked else "only claimed"
        yield (
            f"who asks is {who}; a request holds {mqtt.request_expiry_s:g} s, "
            f"{mqtt.requests_per_minute} a minute are taken"
        )


def _taken(what: str, acknowledge: bool, adjust: bool) -> str:
    """Which requests are put to the decision core."""
    if adjust:
        return f"{what} of all kinds are taken"
    if acknowledge:
        return f"{what} are taken to see to alarms and write in the log book"
    return f"{what} are not taken"


def _sparkplug(settings: Settings, sparkplug: Sparkplug) -> Iterator[str]:
    yield from _broker(sparkplug, settings.client_id("sparkplug"))
    devices = ", ".join(collector.name for collector in settings.collectors)
    yield f"edge node {sparkplug.node} of group {sparkplug.group}; devices {devices}"
    waits = "nobody is waited for"
    if sparkplug.primary_host is not None:
        waits = f"nothing is published while {sparkplug.primary_host} is offline"
    yield f"{waits}; up to {sparkplug.history_values} values of each device are kept meanwhile"
    yield _taken("commands to devices", sparkplug.commands_enabled, sparkplug.commands_adjust)


def _plc(settings: Settings, plc: Plc) -> Iterator[str]:
    units = ", ".join(f"{n} {c.name}" for n, c in enumerate(settings.collectors, start=1))
    yield f"read by Modbus TCP at {plc.host} port {plc.port}; units {units}"
    if not plc.is_local:
        yield _Caution("whoever reaches that port can read it")


def _metrics(_: Settings, metrics: Metrics) -> Iterator[str]:
    yield f"OpenMetrics at http://{metrics.host}:{metrics.port}/metrics"
    if not metrics.is_local:
        yield _Caution("whoever reaches that port can read them")


def _panel(_: Settings, panel: Panel) -> Iterator[str]:
    scheme = "http" if panel.tls is None else "https"
    who = "whoever reaches it" if panel.shows_to_all else "whoever signs in"
    users = "nobody can sign in" if panel.users_file is None else f"users in {panel.users_file}"
    yield f"{scheme}://{panel.host}:{panel.port}, for {who}; {users}"
    if panel.tls is None and not panel.is_local:
        yield _Caution("others on the network can read passwords, as allow_plaintext is set")


_SERVICES: Mapping[str, Callable[[Settings, Any], Iterator[str]]] = MappingProxyType(
    {"mqtt": _mqtt, "sparkplug": _sparkplug, "plc": _plc, "panel": _panel, "metrics": _metrics}
)


# --- cautions: what a collector does without, and what of its settings wants thinking about

_WITHOUT = {
    "contacts.blower_running": "no blower contact: no downtime cleaning; no low dP alarm, as dP "
    "alone cannot tell a torn filter from a stopped blower; no check of the zero at every stop, "
    "and missing dP shows no fault of a sensing line; before a zero is taken a person must confirm "
    "that the blower stands still; flow is proved by dP alone, which a plugged sensing line or a "
    "drifted zero can feign",
    "header": "no header transmitter: pulses are not held back when the air supply fails; a valve "
    "that does not fire is seen by dP alone, and looks like a row that no longer recovers",
    "contacts.smoke": "no smoke contact: pulses and blower run on when there is smoke or a spark",
    "contacts.door_open": "no door contact: pulses go on while an access door is open",
    "contacts.stop": "no stop contact: pulses can be stopped only by selecting the mode off",
}
"""What the lack of each optional input rules out."""

_NO_WATCHDOG = {
    OutputKind.VALVES_ON_OFF: "no module watchdog: if the daemon or its line dies in the middle of "
    "a pulse, that valve stays on until the daemon is back",
    OutputKind.DEMAND_CONTACT: "no module watchdog: if the daemon or its line dies while the "
    "demand contact is closed, the sequencer board pulses on until the daemon is back",
}


def _not_fitted(collector: Collector) -> Iterator[str]:
    for name, text in _WITHOUT.items():
        if attrgetter(name)(collector) is None:
            yield text
    outputs = collector.outputs
    if outputs.watchdog is None and outputs.kind in _NO_WATCHDOG:
        yield _NO_WATCHDOG[outputs.kind]


def _alarms_off(collector: Collector) -> Iterator[str]:
    off = sorted(name for name, each in collector.alarms.override.items() if not each.enabled)
    if off:
        yield f"alarms taken out: {', '.join(off)}"


def _without_flow(collector: Collector) -> Iterator[str]:
    if collector.blower.timed_without_proof is not None:
        yield (
            "FLOW IS NOT PROVED in timed cleaning: it pulses with the blower stopped too, and "
            "while dP cannot be trusted, which can raise a dust cloud: for combustible dust only "
            "as the site's dust hazard analysis allows. Accepted in the settings, because: "
            f"{collector.blower.timed_without_proof}"
        )
    if collector.cleaning.downtime:
        yield (
            "downtime cleaning pulses without air flow: for combustible dust only as the site's "
            "dust hazard analysis allows"
        )


def _order(collector: Collector) -> Iterator[str]:
    pairs = neighbours_in_succession(collector.order)
    if pairs and collector.pulsing.order and len(collector.outputs.coils) >= 4:
        listed = ", ".join(f"{a} then {b}" for a, b in pairs)
        yield f"the order pulses neighbours in succession ({listed}): dust settles on the first"
