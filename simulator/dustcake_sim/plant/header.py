"""The compressed-air header: a tank that each pulse draws from and a regulator refills."""

from __future__ import annotations

import math
from dataclasses import dataclass

GAS_CONSTANT_J_KG_K = 287.05
AMBIENT_PA = 101_325.0
REFERENCE_DENSITY_KG_M3 = 1.185  # ISO 6358 reference air: 100 kPa, 293.15 K (secondary source)
REFERENCE_TEMPERATURE_K = 293.15


@dataclass(frozen=True, slots=True)
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
    below = (ratio - critical_ratio) / (1.0 - critical_ratio)
    return choked * math.sqrt(1.0 - below * below)


def air_kg(header: Header, pressure_pa: float) -> float:
    """Mass of air in the tank, kg, at this absolute pressure and the reference temperature."""
    return pressure_pa * header.volume_m3 / (GAS_CONSTANT_J_KG_K * REFERENCE_TEMPERATURE_K)


def blown_pa(header: Header, pressure_pa: float, valve_seconds: float) -> float:
    """Absolute pressure, Pa, after valves stood open for `valve_seconds` (their times added up).

    At constant temperature, so it is the pressure left once the tank has warmed up again, not the
    deeper momentary dip. Exact while the flow is choked; below that, right for short steps.
    """
    flow_kg_s = valve_flow_kg_s(
        header.conductance_m3_s_pa, header.critical_ratio, pressure_pa, AMBIENT_PA
    )
    rate_per_s = flow_kg_s / air_kg(header, pressure_pa)
    return max(pressure_pa * math.exp(-rate_per_s * valve_seconds), min(pressure_pa, AMBIENT_PA))


def recharged_pa(header: Header, pressure_pa: float, supply_gauge_pa: float, dt_s: float) -> float:
    """Absolute pressure, Pa, after the regulator has fed the tank for `dt_s` seconds.

    A check valve keeps the air in when the supply is lower than the tank.
    """
    supply_pa = AMBIENT_PA + supply_gauge_pa
    if supply_pa <= pressure_pa:
        return pressure_pa
    return supply_pa + (pressure_pa - supply_pa) * math.exp(-dt_s / header.recharge_time_s)
