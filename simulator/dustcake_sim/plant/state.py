"""The records that describe a collector, its state and what acts on it."""

from __future__ import annotations

from dustcake_sim.plant.air import REFERENCE_AIR, Air
from dustcake_sim.plant.fan import Blower, Duct, Fan
from dustcake_sim.plant.header import AMBIENT_PA, AirSupply, Header, air_kg
from dustcake_sim.plant.media import Media
from dustcake_sim.plant.pulse import NO_DRUM, Drum
from dustcake_sim.plant.record import record


@record
class Plant:
    """What does not change while a collector runs."""

    rows: int
    row_area_m2: float
    media: Media
    fan: Fan
    duct: Duct
    blower: Blower
    header: Header
    drum: Drum = NO_DRUM
    row_cleaning: tuple[float, ...] = ()
    """For each row, how much of the usual share a pulse removes there; empty: all of it."""
    ambient_pa: float = AMBIENT_PA
    """Pressure of the surrounding air, Pa."""

    @property
    def area_m2(self) -> float:
        """Filter area of all rows together, m2."""
        return self.rows * self.row_area_m2


@record
class State:
    """A collector at one instant. Tuples have one entry for each row, in valve order."""

    residual_drag_pa_s_m: tuple[float, ...]
    """What no pulse removes: the media's own drag, and what wear has added, Pa s/m."""
    cake_kg_m2: tuple[float, ...]
    caught_kg_m2: tuple[float, ...]
    """All the dust ever caught by the filters now in place, kg/m2."""
    hole_m2: tuple[float, ...]
    """Area of the holes past the media: torn or badly seated filters, m2."""
    energised_s: tuple[float, ...]
    """How long each valve's solenoid has been energised without a break, s."""
    pulse_share: tuple[float, ...]
    """Share of its cake that the pulse now blowing at each row takes off in full; 0 at rest."""
    blower_speed: float
    header_pa: float
    """Absolute pressure in the tank, Pa."""
    header_kg: float
    """Air in the tank, kg."""
    ambient_pa: float = AMBIENT_PA
    """Pressure of the surrounding air, Pa."""
    drum_kg: float = 0.0
    """Dust in the drum, kg."""
    dust_in_kg: float = 0.0
    """All the dust caught on the filters since the start, kg."""
    dust_off_kg: float = 0.0
    """All the dust that left the filters since the start, by pulse or with a changed set, kg."""
    emitted_kg: float = 0.0
    """All the dust that passed through holes since the start, kg."""
    air_used_kg: float = 0.0
    """All the air that left the header through the valves since the start, kg."""
    air_leaked_kg: float = 0.0
    """All the air that the header's leaks lost since the start, kg."""
    air_supplied_kg: float = 0.0
    """All the air that the regulator let into the header since the start, kg."""

    @property
    def header_gauge_pa(self) -> float:
        """Header pressure above the surrounding air, Pa."""
        return self.header_pa - self.ambient_pa


@record
class Inputs:
    """What acts on a collector during one `advance`."""

    blower_running: bool
    dust_kg_m3: float
    """Dust in the air drawn in, kg per m3."""
    supply: AirSupply
    energised: tuple[bool, ...]
    """For each valve, whether its diaphragm is being made to open."""
    stickiness: float = 1.0
    """How much faster than dry dust this one blinds the media, and how much worse it comes off."""
    damper: float = 1.0
    """Free opening of the damper, 0 to 1."""
    air: Air = REFERENCE_AIR


@record
class Throughflow:
    """Flow through filters and holes at one dP."""

    dp_pa: float
    flow_m3_s: float
    leak_m3_s: float
    """Part of the flow that goes through holes."""
    face_velocity_m_s: list[float]


@record
class OperatingPoint:
    """What a collector does with air at one instant; pressures relative to the room, Pa."""

    flow_m3_s: float
    dp_pa: float
    face_velocity_m_s: tuple[float, ...]
    dirty_side_gauge_pa: float
    clean_side_gauge_pa: float


def new_state(
    plant: Plant,
    *,
    cake_kg_m2: float = 0.0,
    header_gauge_pa: float = 0.0,
    blower_speed: float = 0.0,
) -> State:
    """A collector with new filters: even cake (kg/m2) on all rows, valves closed."""
    none = (0.0,) * plant.rows
    return State(
        residual_drag_pa_s_m=(plant.media.start_drag_pa_s_m,) * plant.rows,
        cake_kg_m2=(cake_kg_m2,) * plant.rows,
        caught_kg_m2=none,
        hole_m2=none,
        energised_s=none,
        pulse_share=none,
        blower_speed=blower_speed,
        header_pa=plant.ambient_pa + header_gauge_pa,
        header_kg=air_kg(plant.header, plant.ambient_pa + header_gauge_pa),
        ambient_pa=plant.ambient_pa,
    )
