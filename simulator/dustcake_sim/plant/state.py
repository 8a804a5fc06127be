"""The records that describe a collector, its state and what acts on it."""

from __future__ import annotations

from dataclasses import dataclass

from dustcake_sim.plant.blower import Blower
from dustcake_sim.plant.fan import Duct, Fan
from dustcake_sim.plant.header import AMBIENT_PA, Header
from dustcake_sim.plant.media import Media


@dataclass(frozen=True, slots=True)
class Plant:
    """What does not change while a collector runs."""

    rows: int
    row_area_m2: float
    media: Media
    fan: Fan
    duct: Duct
    blower: Blower
    header: Header

    @property
    def area_m2(self) -> float:
        """Filter area of all rows together, m2."""
        return self.rows * self.row_area_m2


@dataclass(frozen=True, slots=True)
class State:
    """A collector at one instant. Tuples have one entry for each row, in valve order."""

    residual_drag_pa_s_m: tuple[float, ...]
    """What no pulse removes: the media's own drag, and what wear has added, Pa s/m."""
    cake_kg_m2: tuple[float, ...]
    energised_s: tuple[float, ...]
    """How long each valve's solenoid has been energised without a break, s."""
    blower_speed: float
    header_pa: float
    """Absolute pressure in the tank, Pa."""
    dust_in_kg: float = 0.0
    """All the dust caught on the filters since the start, kg."""
    dust_off_kg: float = 0.0
    """All the dust that left the filters since the start, by pulse or with a changed set, kg."""
    air_used_kg: float = 0.0
    """All the air that left the header through the valves since the start, kg."""

    @property
    def header_gauge_pa(self) -> float:
        """Header pressure above the surrounding air, Pa."""
        return self.header_pa - AMBIENT_PA


@dataclass(frozen=True, slots=True)
class Inputs:
    """What acts on a collector during one `advance`."""

    blower_running: bool
    dust_kg_m3: float
    """Dust in the air drawn in, kg per m3."""
    supply_gauge_pa: float
    """Gauge pressure of the regulator that feeds the header, Pa."""
    energised: tuple[bool, ...]
    """For each valve, whether its diaphragm is being made to open."""


@dataclass(frozen=True, slots=True)
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
    return State(
        residual_drag_pa_s_m=(plant.media.residual_drag_pa_s_m,) * plant.rows,
        cake_kg_m2=(cake_kg_m2,) * plant.rows,
        energised_s=(0.0,) * plant.rows,
        blower_speed=blower_speed,
        header_pa=AMBIENT_PA + header_gauge_pa,
    )
