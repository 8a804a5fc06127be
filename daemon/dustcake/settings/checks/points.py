"""Every point of the settings that lies on a bus, with where it stands in the file."""

from collections.abc import Iterator
from dataclasses import dataclass

from dustcake.settings.buses import AnalogInput, CoilOutput, ContactInput, Contacts, Outputs
from dustcake.settings.errors import Labels
from dustcake.settings.model import Settings


@dataclass(frozen=True, slots=True)
class Point:
    """One point: the table of the file it is described by, and that table's path."""

    section: AnalogInput | ContactInput | CoilOutput | Outputs
    path: str

    @property
    def bus(self) -> str:
        """Name of its bus."""
        return self.section.bus

    @property
    def unit(self) -> int:
        """Its Modbus unit id."""
        return self.section.unit

    @property
    def analog(self) -> AnalogInput | None:
        """The transmitter it is, if it is one."""
        return self.section if isinstance(self.section, AnalogInput) else None

    @property
    def coils(self) -> tuple[int, ...]:
        """The coils it drives."""
        if isinstance(self.section, Outputs):
            return self.section.coils
        return (self.section.coil,) if isinstance(self.section, CoilOutput) else ()


def points_of(settings: Settings, labels: Labels) -> Iterator[Point]:
    """All points, in the order of the file's tables."""
    for index, collector in enumerate(settings.collectors):
        path = f"collector[{labels.of('collector', index)}]"
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


def analog_points(settings: Settings, labels: Labels) -> Iterator[Point]:
    """The transmitters among them."""
    return (point for point in points_of(settings, labels) if point.analog is not None)
