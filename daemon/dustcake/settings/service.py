"""Settings of the daemon itself: the broker, the journal, the local request socket."""

import ipaddress
from typing import Literal

from pydantic import Field

from dustcake.settings.base import ClientId, Host, Line, SecretFile, Section, SocketPath, Topic


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


class Mqtt(Section):
    """The broker to publish to. Leave the table out to publish nothing."""

    host: Host
    """Host name or address of the broker."""
    port: int | None = Field(default=None, ge=1, le=65535)
    """Left out: 8883 with TLS, 1883 without."""
    tls: Tls | None = None
    """TLS; needed for a broker on another machine."""
    allow_plaintext: bool = False
    """Allow a broker on another machine without TLS: everybody on the network can then read, and
    forge, what is sent."""
    username: Line | None = None
    """User name at the broker."""
    password_file: SecretFile | None = None
    """Absolute path of a file that holds the password, in its first line."""
    client_id: ClientId | None = None
    """Client identifier; no two clients of a broker may share one. Left out: `dustcake-` and the
    name of the site."""
    root: Topic = "dustcake"
    """First level or levels of every topic: root/collector/measurement and so on."""
    version: Literal["5", "3.1.1"] = "5"
    """Version of MQTT."""
    keepalive_s: int = Field(default=30, ge=5, le=3600)
    """A broken connection is noticed after one and a half times this."""
    measurement_every_s: float = Field(default=10.0, ge=0.5, le=3600)
    """From one published measurement to the next. Events are published at once."""
    requests_enabled: bool = False
    """Whether requests that come in over MQTT are put to the decision core at all."""

    @property
    def is_local(self) -> bool:
        """Whether the broker runs on this machine."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def port_used(self) -> int:
        """TCP port of the broker."""
        if self.port is not None:
            return self.port
        return 1883 if self.tls is None else 8883


class Journal(Section):
    """The durable memory of decisions and events."""

    path: Line = "/var/lib/dustcake/journal.db"
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


class Site(Section):
    """Where this daemon works."""

    name: Line = "site"
    """Name of the plant or hall, shown in messages."""
