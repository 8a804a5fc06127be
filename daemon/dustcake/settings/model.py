"""The settings file as a whole."""

import re

from pydantic import Field

from dustcake.settings.base import Lax, Section
from dustcake.settings.buses import Bus
from dustcake.settings.collector import Collector
from dustcake.settings.services import (
    Broker,
    Control,
    Journal,
    Metrics,
    Mqtt,
    Panel,
    Plc,
    Site,
    Sparkplug,
)


class Settings(Section):
    """Settings of dustcake: the buses, the collectors on them, and where to publish."""

    site: Site = Field(default_factory=Site)
    """Where this daemon works."""
    buses: Lax[tuple[Bus, ...]] = Field(alias="bus", min_length=1)
    """The Modbus lines, each a table of its own."""
    collectors: Lax[tuple[Collector, ...]] = Field(alias="collector", min_length=1)
    """The collectors, each a table of its own."""
    mqtt: Mqtt | None = None
    """The broker to publish to. Leave the table out to publish nothing."""
    sparkplug: Sparkplug | None = None
    """A broker of a Sparkplug B infrastructure, apart from `mqtt`. Leave it out to have none."""
    plc: Plc | None = None
    """A Modbus TCP server for a PLC, to be read only. Leave the table out to have none."""
    panel: Panel | None = None
    """A page for people's browsers. Leave the table out to have none."""
    metrics: Metrics | None = None
    """Figures for a monitoring system. Leave the table out to have none."""
    journal: Journal = Field(default_factory=Journal)
    """The durable memory of decisions and events."""
    control: Control = Field(default_factory=Control)
    """The local request socket."""

    @property
    def mqtt_client_id(self) -> str:
        """Client identifier at the broker: the one written, or one made of the site's name."""
        return self._client_id(self.mqtt, "")

    @property
    def sparkplug_client_id(self) -> str:
        """The same at the broker of the Sparkplug infrastructure."""
        return self._client_id(self.sparkplug, "-sparkplug")

    def _client_id(self, broker: Broker | None, ending: str) -> str:
        if broker is not None and broker.client_id is not None:
            return broker.client_id
        made = "-".join(["dustcake", *re.findall(r"[a-z0-9]+", self.site.name.lower())])
        return made[: 128 - len(ending)] + ending
