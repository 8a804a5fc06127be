"""The settings file as a whole."""

import re

from pydantic import Field

from dustcake.settings.base import Listed, Section
from dustcake.settings.collector import Collector
from dustcake.settings.field import Bus
from dustcake.settings.service import Control, Journal, Mqtt, Site


class Settings(Section):
    """Settings of dustcake: the buses, the collectors on them, and where to publish."""

    site: Site = Field(default_factory=Site)
    """Where this daemon works."""
    buses: Listed[tuple[Bus, ...]] = Field(alias="bus", min_length=1)
    """The Modbus lines, each a table of its own."""
    collectors: Listed[tuple[Collector, ...]] = Field(alias="collector", min_length=1)
    """The collectors, each a table of its own."""
    mqtt: Mqtt | None = None
    """The broker to publish to. Leave the table out to publish nothing."""
    journal: Journal = Field(default_factory=Journal)
    """The durable memory of decisions and events."""
    control: Control = Field(default_factory=Control)
    """The local request socket."""

    @property
    def mqtt_client_id(self) -> str:
        """Client identifier at the broker: the one written, or one made of the site's name."""
        if self.mqtt is not None and self.mqtt.client_id is not None:
            return self.mqtt.client_id
        return "-".join(["dustcake", *re.findall(r"[a-z0-9]+", self.site.name.lower())])[:128]
