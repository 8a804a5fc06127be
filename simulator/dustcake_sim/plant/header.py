"""The compressed-air header: a tank that each pulse draws from and a regulator refills.

What the records are and how air flows; `tank` is how the tank behaves in time.
"""

from __future__ import annotations

import math

from dustcake_sim.plant.air import GAS_CONSTANT_J_KG_K, REFERENCE_TEMPERATURE_K, SEA_LEVEL_PA
from dustcake_sim.plant.record import record

AMBIENT_PA = SEA_LEVEL_PA
REFERENCE_DENSITY_KG_M3 = 1.185  # ISO 6358 reference air: 100 kPa, 293.15 K (secondary source)
_LAMINAR = 0.999
"""Pressure ratio from which flow goes with the difference and not with its root, as simulation
tools have it (secondary source): else an all but empty tank would change infinitely fast."""


@record
class Header:
    """Tank, regulator and diaphragm valves."""

    volume_m3: float
    recharge_time_s: float
    """Time constant with which the regulator brings the tank back to its supply, s."""
    conductance_m3_s_pa: float
    """Sonic conductance C of one open diaphragm valve with its nozzles, m3/(s Pa)."""
    critical_ratio: float
    """ISO 6358 b: the downstream/upstream pressure ratio below which flow is choked."""
    opening_delay_s: float
    """From energising the solenoid to the diaphragm leaving its seat, s."""
    warming_time_s: float = 8.0
    """Time constant with which the wall brings the air back to the room's temperature, s; infinite
    for a tank that keeps its heat.

    Estimated: 30 L at 7 bar hold 185 J/K, the wall of 0.55 m2 passes 22 W/K at 5 W/(m2 K), usual
    for still air at 1 bar, times 8 for its density (both from a secondary source)."""


@record
class AirSupply:
    """What stands behind the regulator, and what gets lost."""

    gauge_pa: float
    """Gauge pressure of the regulator, Pa."""
    most_kg_s: float = math.inf
    """Most that the compressor can deliver, kg/s."""
    leak_m3_s_pa: float = 0.0
    """Sonic conductance of leaks in the header, m3/(s Pa)."""


@record
class TankStep:
    """A tank after some time, and the air that moved in it, kg."""

    pressure_pa: float
    """Absolute."""
    blown_kg: float
    leaked_kg: float
    supplied_kg: float


def valve_flow_kg_s(
    conductance_m3_s_pa: float,
    critical_ratio: float,
    upstream_pa: float,
    downstream_pa: float,
    temperature_k: float = REFERENCE_TEMPERATURE_K,
) -> float:
    """Mass flow, kg/s, through a valve by ISO 6358 (formula from a secondary source).

    Pressures are absolute, Pa. No reverse flow: an upstream pressure at or below the downstream
    one gives zero.
    """
    if upstream_pa <= downstream_pa:
        return 0.0
    choked = (
        conductance_m3_s_pa
        * REFERENCE_DENSITY_KG_M3
        * upstream_pa
        * math.sqrt(REFERENCE_TEMPERATURE_K / temperature_k)
    )
    ratio = downstream_pa / upstream_pa
    if ratio <= critical_ratio:
        return choked
    part = min(1.0, (1.0 - ratio) / (1.0 - _LAMINAR))
    below = (min(ratio, _LAMINAR) - critical_ratio) / (1.0 - critical_ratio)
    return choked * part * math.sqrt(1.0 - below * below)


def air_kg(header: Header, pressure_pa: float) -> float:
    """Mass of air in the tank, kg, at this absolute pressure and the room's temperature."""
    return pressure_pa * header.volume_m3 / (GAS_CONSTANT_J_KG_K * REFERENCE_TEMPERATURE_K)
