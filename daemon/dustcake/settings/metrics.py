"""Settings of the metrics, which a monitoring system reads."""

from pydantic import Field

from dustcake.settings.base import Host, Section, is_loopback


class Metrics(Section):
    """Figures of every collector in the OpenMetrics text format, at `/metrics`. Needs the extra
    `metrics`. Leave the table out to have none."""

    host: Host = "127.0.0.1"
    """Address to listen at. Whoever reaches the port can read; nothing can be written.
    `0.0.0.0`: all addresses."""
    port: int = Field(default=8471, ge=1, le=65535)
    """TCP port."""

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach it."""
        return is_loopback(self.host)
