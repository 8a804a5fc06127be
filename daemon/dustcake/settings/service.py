"""Settings of the daemon itself: the journal, the local request socket, the site."""

from pydantic import Field

from dustcake.settings.base import Line, Section, SocketPath


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
