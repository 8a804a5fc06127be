"""The settings file as a whole, and the table of one collector."""

import re
from typing import Literal

from pydantic import Field

from dustcake.core.setpoints import BlowerRequest, OutputKind, order_skipping_neighbours
from dustcake.settings import monitoring, services
from dustcake.settings.base import Lax, Name, PositivePressure, Seconds, Section, TextLine
from dustcake.settings.buses import AnalogInput, Bus, CoilOutput, Contacts, HeaderInput, Outputs
from dustcake.settings.cleaning import Cleaning, Pulsing, Requests, Zeroing
from dustcake.units import Pressure, PressureUnit


class Blower(Section):
    """The blower: how it is requested, and how its flow is proved without a contact."""

    request: Lax[BlowerRequest] = BlowerRequest.NONE
    """`none`: the daemon does not ask for the blower; `process`: it follows the contact of the
    process equipment; `hand`: by request of a person."""
    coil: CoilOutput | None = None
    """The run request output: needed for `process` and `hand`."""
    run_on_s: Seconds = 60.0
    """The blower keeps running this long after the process stops (common practice, no source)."""
    flow_proof: PositivePressure = Pressure(0.2, PressureUnit.INH2O)
    """Without a blower contact, dP at or above this proves flow (common practice, no source); once
    proved it stays so down to half of it. With a contact it is not used."""
    timed_without_proof: TextLine | None = Field(
        default=None, examples=["starter of the fan switches the supply of the valves"]
    )
    """Without a blower contact, why timed cleaning may pulse although nothing proves flow. Left
    out: it pulses only while dP does. Pulses without air flow can raise a dust cloud inside the
    collector: for combustible dust that needs the site's dust hazard analysis."""


class Collector(Section):
    """One dust collector."""

    name: Name = Field(examples=["welding-1"])
    """Its name in topics, files and messages: letters, digits, `_`, `-` and `.`."""
    display_unit: Literal["inH2O", "Pa", "mbar", "mmH2O"] = "inH2O"
    """Unit in which dP is shown to people."""
    poll_s: float = Field(default=1.0, ge=0.1, le=60)
    """From one reading to the next."""
    stale_after_s: float | None = Field(default=None, ge=0.5, le=600)
    """A reading older than this is not trusted. Left out: three times `poll_s`, at least 5 s."""
    settle_s: float = Field(default=10.0, ge=0, le=600)
    """After a start of the daemon: no pulse before this has passed (common practice, no
    source)."""
    transmitter: AnalogInput
    """The dP transmitter."""
    header: HeaderInput | None = None
    """The header pressure transmitter. Leave out what is not fitted."""
    contacts: Contacts = Field(default_factory=Contacts)
    """Contact inputs."""
    outputs: Outputs
    """The valves."""
    blower: Blower = Field(default_factory=Blower)
    """The blower."""
    cleaning: Cleaning = Field(default_factory=Cleaning)
    """When to clean."""
    pulsing: Pulsing = Field(default_factory=Pulsing)
    """How to pulse."""
    alarms: monitoring.Alarms = Field(default_factory=monitoring.Alarms)
    """Alarms."""
    zeroing: Zeroing = Field(default_factory=Zeroing)
    """Taking the zero of the dP transmitter."""
    upkeep: Lax[tuple[monitoring.Upkeep, ...]] = monitoring.DEFAULT_UPKEEP
    """Upkeep that people are reminded of, a table [[collector.upkeep]] each. Left out: a daily
    check, the drum, the regulator bowl and the snubber. `upkeep = []`: none."""
    edited_by: TextLine | None = Field(default=None, examples=["night shift"])
    """Who changed these settings last: goes into the log book with every set point that is another
    at the next start."""
    air: monitoring.Air = Field(default_factory=monitoring.Air)
    """Compressed air of the pulses: how it is counted, and what it costs."""
    filter_life: monitoring.FilterLife = Field(default_factory=monitoring.FilterLife)
    """Forecast of filter life."""
    trust: monitoring.Trust = Field(default_factory=monitoring.Trust)
    """When the dP reading is doubted."""
    diagnosis: monitoring.Diagnosis = Field(default_factory=monitoring.Diagnosis)
    """What is made of the answers to pulses."""
    requests: Requests = Field(default_factory=Requests)
    """Set points that may be changed by request, and within which limits."""

    @property
    def shown_in(self) -> PressureUnit:
        """Unit in which dP is shown to people."""
        return PressureUnit(self.display_unit)

    @property
    def order(self) -> tuple[int, ...]:
        """1-based valves in the order they fire. A demand contact counts as one valve: which
        one fires is up to the sequencer board."""
        if self.outputs.kind is OutputKind.DEMAND_CONTACT:
            return (1,)
        return self.pulsing.order or order_skipping_neighbours(len(self.outputs.coils))

    @property
    def stale_s(self) -> float:
        """Age in seconds beyond which a reading is not trusted."""
        return self.stale_after_s or max(5.0, 3 * self.poll_s)

    @property
    def timed_interval_s(self) -> float:
        """Seconds from one pulse to the next in timed mode."""
        return self.cleaning.timed_interval_s or self.pulsing.interval_s

    @property
    def fallback_interval_s(self) -> float:
        """Seconds from one pulse to the next while the reading is bad."""
        return self.cleaning.fallback_interval_s or max(60.0, self.pulsing.interval_s)

    @property
    def zero_limit_pa(self) -> float:
        """How far from zero a reading may be, in Pa, to be taken as zero."""
        limit = self.zeroing.limit
        return 0.005 * self.span_pa if limit is None else limit.pa

    @property
    def span_pa(self) -> float:
        """Width of the dP transmitter's span in Pa."""
        low, high = self.transmitter.span
        return abs(high.pa - low.pa)


class Settings(Section):
    """Settings of dustcake: the buses, the collectors on them, and where to publish."""

    site: services.Site = Field(default_factory=services.Site)
    """Where this daemon works."""
    buses: Lax[tuple[Bus, ...]] = Field(alias="bus", min_length=1)
    """The Modbus lines, each a table of its own."""
    collectors: Lax[tuple[Collector, ...]] = Field(alias="collector", min_length=1)
    """The collectors, each a table of its own."""
    mqtt: services.Mqtt | None = None
    """The broker to publish to. Leave the table out to publish nothing."""
    sparkplug: services.Sparkplug | None = None
    """A broker of a Sparkplug B infrastructure, apart from `mqtt`. Leave it out to have none."""
    plc: services.Plc | None = None
    """A Modbus TCP server for a PLC, to be read only. Leave the table out to have none."""
    panel: services.Panel | None = None
    """A page for people's browsers. Leave the table out to have none."""
    metrics: services.Metrics | None = None
    """Figures for a monitoring system. Leave the table out to have none."""
    journal: services.Journal = Field(default_factory=services.Journal)
    """The durable memory of decisions and events."""
    control: services.Control = Field(default_factory=services.Control)
    """The local request socket."""

    def client_id(self, table: Literal["mqtt", "sparkplug"]) -> str:
        """Client identifier at the broker of this table: the one written, or one made of the
        site's name."""
        broker: services.Broker | None = getattr(self, table)
        if broker is not None and broker.client_id is not None:
            return broker.client_id
        ending = "-sparkplug" if table == "sparkplug" else ""
        made = "-".join(["dustcake", *re.findall(r"[a-z0-9]+", self.site.name.lower())])
        return made[: 128 - len(ending)] + ending
