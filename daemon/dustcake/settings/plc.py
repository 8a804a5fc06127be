"""Settings of the Modbus TCP server for a PLC."""

from pydantic import Field

from dustcake.settings.base import Host, Section, is_loopback


class Plc(Section):
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

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach it."""
        return is_loopback(self.host)
