"""Settings of the daemon itself: its site and journal, and what it serves or connects to."""

import ipaddress
from contextlib import suppress
from typing import Literal

from pydantic import Field

from dustcake.settings.base import (
    ClientId,
    Host,
    PositivePressure,
    SecretFile,
    Section,
    SocketPath,
    SparkplugId,
    TextLine,
    Topic,
)
from dustcake.units import Pressure, PressureUnit

COLLECTOR = "{collector}"
"""Placeholder for the name of the collector in some settings of `mqtt`."""


class Site(Section):
    """Where this daemon works."""

    name: TextLine = "site"
    """Name of the plant or hall, shown in messages."""


class Journal(Section):
    """The durable memory of decisions and events."""

    path: TextLine = "/var/lib/dustcake/journal.db"
    """The file; its directory must exist and be writable."""
    flush_s: float = Field(default=10.0, ge=0, le=60)
    """Events and pulses are stored before anything moves; quiet readings may wait this long, to
    spare the memory card. 0 stores each at once."""
    raw_days: float = Field(default=28.0, ge=1, le=3660)
    """How long every single reading is kept. Events are kept for ever."""
    minutes_days: float = Field(default=366.0, ge=1, le=36_600)
    """How long the statistics of each minute are kept."""
    max_size_mb: int = Field(default=1024, ge=16, le=1_048_576)
    """Beyond this size, in millions of bytes, the oldest readings are deleted whatever their age,
    then the oldest statistics of minutes. The file does not shrink; its room is used again."""


class Control(Section):
    """The local request socket, by which the other commands talk to the running daemon."""

    socket: SocketPath = "/run/dustcake/control.sock"
    """Path of the Unix domain socket; who may write to it may ask for what an operator may."""


class Tls(Section):
    """TLS to the broker. An empty table is enough for a publicly trusted certificate."""

    ca_file: SecretFile | None = None
    """PEM file of the certificate authority. Left out: those the system trusts."""
    cert_file: SecretFile | None = None
    """PEM file of this daemon's own certificate, for brokers that ask for one."""
    key_file: SecretFile | None = None
    """PEM file of the key that belongs to it."""
    verify: bool = True
    """Check the broker's certificate and name. False only for a trial: anybody could pretend to
    be the broker."""


class Endpoint(Section):
    """An address: of what the daemon connects to, or serves."""

    host: Host = "127.0.0.1"

    @property
    def is_local(self) -> bool:
        """Whether that is this machine, reached by nobody else."""
        with suppress(ValueError):
            return ipaddress.ip_address(self.host).is_loopback
        return self.host == "localhost"


class Broker(Endpoint):
    """A connection to an MQTT broker."""

    host: Host
    """Host name or address of the broker."""
    port: int | None = Field(default=None, ge=1, le=65535)
    """Left out: 8883 with TLS, 1883 without."""
    tls: Tls | None = None
    """TLS; needed for a broker on another machine."""
    allow_plaintext: bool = False
    """Allow a broker on another machine without TLS: everybody on the network can then read, and
    forge, what is sent."""
    username: TextLine | None = None
    """User name at the broker."""
    password_file: SecretFile | None = None
    """Absolute path of a file that holds the password, in its first line."""
    client_id: ClientId | None = None
    """Client identifier; no two clients of a broker may share one. Left out: `dustcake-` and the
    name of the site, for Sparkplug with `-sparkplug` after it."""
    version: Literal["5", "3.1.1"] = "5"
    """Version of MQTT."""
    keepalive_s: int = Field(default=30, ge=5, le=3600)
    """A broken connection is noticed after one and a half times this."""
    dp_deadband: PositivePressure = Pressure(10.0, PressureUnit.PA)
    """A dP that differs by less than this from the last one published is not published."""
    header_deadband: PositivePressure = Pressure(0.1, PressureUnit.BAR)
    """As `dp_deadband`, for header pressure."""

    @property
    def port_used(self) -> int:
        """TCP port of the broker."""
        return self.port or (1883 if self.tls is None else 8883)


class Mqtt(Broker):
    """The broker to publish to. Leave the table out to publish nothing. In `username`, and in the
    paths of `password_file`, `tls.cert_file` and `tls.key_file`, `{collector}` stands for the name
    of the collector: each has a connection of its own, and may so have a user of its own, whom the
    broker's access rules hold to its own topics."""

    root: Topic = "dustcake"
    """First level or levels of every topic: root/collector/measurement and so on."""
    measurement_every_s: float = Field(default=10.0, ge=0.5, le=3600)
    """A measurement is published when it has changed, and at the latest after this. Events are
    published at once."""
    requests_enabled: bool = False
    """Whether requests on root/collector/request/acknowledge/NAME are taken: acknowledge, reset,
    shelve and unshelve alarms, write in the log book. NAME is who asks."""
    requests_adjust: bool = False
    """Whether requests on root/collector/request/adjust/NAME are taken: all of them, such as mode
    and set points."""
    names_checked: bool = False
    """The broker's access rules let each user send requests under its own name alone (as those in
    deploy/mosquitto do): who asks is then on record as authenticated, else as claimed."""
    request_expiry_s: float = Field(default=30.0, ge=1, le=3600)
    """A request holds for so long after it was sent; both clocks must be right."""
    requests_per_minute: int = Field(default=30, ge=1, le=6000)
    """More than this from the same source are refused: from each user where `names_checked`, else
    from all of them together."""


class Sparkplug(Broker):
    """A broker of a Sparkplug B infrastructure. The daemon is one edge node, each collector one
    device. Apart from the table `mqtt`, with a connection of its own; leave it out to have none."""

    group: SparkplugId
    """Group id: the second level of every topic."""
    node: SparkplugId
    """Edge node id. Group and node together must be unique in the infrastructure."""
    primary_host: SparkplugId | None = None
    """Host id of the primary host application. While it is offline nothing is published, and
    values are kept. Left out: nobody is waited for."""
    commands_enabled: bool = False
    """Whether commands to devices are taken: acknowledge, reset, shelve and unshelve alarms, write
    in the log book. A request for rebirth always is."""
    commands_adjust: bool = False
    """Whether all other commands are taken too, such as mode and set points."""
    commands_per_minute: int = Field(default=30, ge=1, le=6000)
    """More than this to the node are refused."""
    command_expiry_s: float = Field(default=60.0, ge=1, le=3600)
    """A command sent longer ago than this is dropped; both clocks must be right."""
    history_values: int = Field(default=20_000, ge=100, le=1_000_000)
    """Values of each collector that are kept in memory while they cannot be published, about 150
    bytes each; then the oldest go."""


class PanelTls(Section):
    """TLS of the panel."""

    cert_file: SecretFile
    """PEM file of the certificate that browsers are shown, with those that lead to its
    authority."""
    key_file: SecretFile
    """PEM file of the key that belongs to it."""


class Panel(Endpoint):
    """A page with what the collectors do, and for who has the right to, with what can be asked of
    them. Needs the extra `panel`. Leave the table out to have none."""

    host: Host = "127.0.0.1"
    """Address to listen at. Other than of this machine only with `users_file`, and with `tls` or
    `allow_plaintext`. `0.0.0.0`: all addresses."""
    port: int = Field(default=8470, ge=1, le=65535)
    """TCP port."""
    users_file: SecretFile | None = None
    """Absolute path of the file of users, written by `dustcake users`. Left out: nobody can
    sign in, and the panel only shows."""
    open_view: bool = True
    """At an address of this machine, show everything without signing in. Set it to false behind a
    reverse proxy. At another address one has to sign in whatever stands here."""
    session_h: float = Field(default=12.0, ge=0.1, le=24 * 31)
    """How long somebody stays signed in."""
    tls: PanelTls | None = None
    """TLS; needed at an address of another network than this machine's own."""
    allow_plaintext: bool = False
    """Allow that without TLS: everybody on the network can then read passwords."""
    charts_dir: SecretFile | None = None
    """Not used any more: the daemon draws the trends itself. Settings files may still have it."""

    @property
    def shows_to_all(self) -> bool:
        """Whether it shows everything to whoever reaches it."""
        return self.open_view and self.is_local


class Plc(Endpoint):
    """A Modbus TCP server that a PLC can read the collectors from. Nothing can be written. Leave
    the table out to have none."""

    host: Host = "127.0.0.1"
    """Address to listen at; that of the network the PLC is in. `0.0.0.0`: all of them. Modbus knows
    no credentials: whoever reaches the port can read."""
    port: int = Field(default=1502, ge=1, le=65535)
    """TCP port. 502 is the usual one, and a port below 1024 needs the right to listen there."""
    most_connections: int = Field(default=8, ge=1, le=100)
    """Clients at a time; one more takes the place of one that asks for nothing, or is turned
    away."""
    idle_s: float = Field(default=60.0, ge=1, le=3600)
    """A client that says nothing for so long is let go."""


class Metrics(Endpoint):
    """Figures of every collector in the OpenMetrics text format, at `/metrics`. Needs the extra
    `metrics`. Leave the table out to have none."""

    host: Host = "127.0.0.1"
    """Address to listen at. Whoever reaches the port can read; nothing can be written.
    `0.0.0.0`: all addresses."""
    port: int = Field(default=8471, ge=1, le=65535)
    """TCP port."""
