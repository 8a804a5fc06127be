"""The compressed-air header: a tank that each pulse draws from and a regulator refills.

At constant temperature: pressures are those left once the tank has warmed up again, not the deeper
momentary dip of a fast expansion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dustcake_sim.plant.air import GAS_CONSTANT_J_KG_K, REFERENCE_TEMPERATURE_K, SEA_LEVEL_PA

AMBIENT_PA = SEA_LEVEL_PA
REFERENCE_DENSITY_KG_M3 = 1.185  # ISO 6358 reference air: 100 kPa, 293.15 K (secondary source)
_SUBSONIC_STEP_S = 0.005


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


@dataclass(frozen=True, slots=True)
class AirSupply:
    """What stands behind the regulator, and what gets lost."""

    gauge_pa: float
    """Gauge pressure of the regulator, Pa."""
    most_kg_s: float = math.inf
    """Most that the compressor can deliver, kg/s."""
    leak_m3_s_pa: float = 0.0
    """Sonic conductance of leaks in the header, m3/(s Pa)."""


@dataclass(frozen=True, slots=True)
class TankStep:
    """A tank after some time, and the air that moved in it, kg."""

    pressure_pa: float
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
    below = (ratio - critical_ratio) / (1.0 - critical_ratio)
    return choked * math.sqrt(1.0 - below * below)


def air_kg(header: Header, pressure_pa: float) -> float:
    """Mass of air in the tank, kg, at this absolute pressure and the reference temperature."""
    return pressure_pa * header.volume_m3 / (GAS_CONSTANT_J_KG_K * REFERENCE_TEMPERATURE_K)


def tank_after(
    header: Header,
    pressure_pa: float,
    supply: AirSupply,
    open_valves: int,
    dt_s: float,
    ambient_pa: float = AMBIENT_PA,
) -> TankStep:
    """The tank, at `pressure_pa` (absolute), after `dt_s` with this many valves open.

    While flow out is choked, pressure follows a linear equation in each of three regimes (supply
    shut off by its check valve; limited by the compressor; led by the regulator) and the step is
    exact. Once it is not, short midpoint steps follow the ISO 6358 curve.
    """
    tank = _Tank(header, supply, open_valves, ambient_pa)
    if pressure_pa == tank.supply_pa and tank.out_per_s == 0.0:
        return TankStep(pressure_pa, 0.0, 0.0, 0.0)
    at_pa, left_s = pressure_pa, dt_s
    pressure_seconds = subsonic_kg = supplied_kg = 0.0
    while left_s > 0.0:
        if tank.choked(at_pa):
            step_s, after_pa, area, gained = tank.linear(at_pa, left_s)
            pressure_seconds += area
        else:
            step_s = min(left_s, _SUBSONIC_STEP_S)
            after_pa, lost, gained = tank.midpoint(at_pa, step_s)
            subsonic_kg += lost
        supplied_kg += gained
        at_pa, left_s = after_pa, left_s - step_s
    out_kg = subsonic_kg + tank.out_per_s * pressure_seconds * tank.kg_per_pa
    leaked_kg = out_kg * tank.leak_share
    return TankStep(at_pa, out_kg - leaked_kg, leaked_kg, supplied_kg)


class _Tank:
    """The tank's equation with everything that does not change during a step."""

    def __init__(
        self, header: Header, supply: AirSupply, open_valves: int, ambient_pa: float
    ) -> None:
        self.ambient_pa = ambient_pa
        self.critical_ratio = header.critical_ratio
        self.kg_per_pa = air_kg(header, 1.0)
        self.conductance = open_valves * header.conductance_m3_s_pa + supply.leak_m3_s_pa
        self.leak_share = supply.leak_m3_s_pa / self.conductance if self.conductance else 0.0
        self.out_per_s = self.conductance * REFERENCE_DENSITY_KG_M3 / self.kg_per_pa
        self.supply_pa = ambient_pa + supply.gauge_pa
        self.refill_per_s = 1.0 / header.recharge_time_s
        self.most_pa_s = supply.most_kg_s / self.kg_per_pa
        # Below this the compressor, and not the regulator, is what limits the refill.
        self.limited_pa = self.supply_pa - self.most_pa_s / self.refill_per_s
        self.subsonic_pa = (
            ambient_pa / header.critical_ratio if header.critical_ratio > 0.0 else math.inf
        )

    def choked(self, at_pa: float) -> bool:
        return self.out_per_s == 0.0 or at_pa > self.subsonic_pa

    def inflow_pa_s(self, at_pa: float) -> float:
        """Refill, as a rise of pressure."""
        if at_pa >= self.supply_pa:
            return 0.0
        return min((self.supply_pa - at_pa) * self.refill_per_s, self.most_pa_s)

    def linear(self, at_pa: float, left_s: float) -> tuple[float, float, float, float]:
        """As far as one linear regime lasts: time, pressure, pressure times time, kg supplied."""
        feed_pa_s, refill_per_s, edges = self._regime(at_pa)
        decay = refill_per_s + self.out_per_s
        rate_pa_s = feed_pa_s - decay * at_pa
        if decay == 0.0 and rate_pa_s == 0.0:
            return left_s, at_pa, at_pa * left_s, 0.0
        ahead = [edge for edge in edges if (edge - at_pa) * rate_pa_s > 0.0]
        step_s, edge_pa = left_s, None
        for edge in ahead:
            reach_s = _time_to(at_pa, edge, feed_pa_s, decay)
            if reach_s < step_s:
                step_s, edge_pa = reach_s, edge
        if decay == 0.0:
            after_pa = at_pa + rate_pa_s * step_s
            area = (at_pa + after_pa) / 2.0 * step_s
        else:
            share = -math.expm1(-decay * step_s) / decay
            after_pa = at_pa + rate_pa_s * share
            settled_pa = feed_pa_s / decay
            area = settled_pa * step_s + (at_pa - settled_pa) * share
        gained = (feed_pa_s * step_s - refill_per_s * area) * self.kg_per_pa
        return step_s, after_pa if edge_pa is None else edge_pa, area, gained

    def _regime(self, at_pa: float) -> tuple[float, float, tuple[float, ...]]:
        """Constant feed, refill rate, and the pressures at which this regime ends."""
        if at_pa > self.supply_pa:
            return 0.0, 0.0, self._edges(self.supply_pa)
        falling = self.most_pa_s < self.out_per_s * at_pa
        if at_pa < self.limited_pa or (at_pa == self.limited_pa and falling):
            return self.most_pa_s, 0.0, self._edges(self.limited_pa)
        return self.supply_pa * self.refill_per_s, self.refill_per_s, self._edges(self.limited_pa)

    def _edges(self, edge_pa: float) -> tuple[float, ...]:
        edges = (edge_pa,) if math.isfinite(edge_pa) else ()
        return (*edges, self.subsonic_pa) if self.out_per_s > 0.0 else edges

    def midpoint(self, at_pa: float, step_s: float) -> tuple[float, float, float]:
        """Pressure after a short step, kg lost and kg supplied."""
        half_pa = max(at_pa + self._rate_pa_s(at_pa) * step_s / 2.0, min(at_pa, self.ambient_pa))
        lost = self._outflow_kg_s(half_pa) * step_s
        gained = self.inflow_pa_s(half_pa) * self.kg_per_pa * step_s
        most = max(0.0, (at_pa - self.ambient_pa) * self.kg_per_pa + gained)
        lost = min(lost, most)
        return at_pa + (gained - lost) / self.kg_per_pa, lost, gained

    def _rate_pa_s(self, at_pa: float) -> float:
        return self.inflow_pa_s(at_pa) - self._outflow_kg_s(at_pa) / self.kg_per_pa

    def _outflow_kg_s(self, at_pa: float) -> float:
        return valve_flow_kg_s(self.conductance, self.critical_ratio, at_pa, self.ambient_pa)


def _time_to(at_pa: float, edge_pa: float, feed_pa_s: float, decay: float) -> float:
    """Time, s, until p' = feed - decay p comes from one pressure to another; infinite if never."""
    if decay == 0.0:
        return (edge_pa - at_pa) / feed_pa_s
    settled_pa = feed_pa_s / decay
    ratio = (at_pa - settled_pa) / (edge_pa - settled_pa) if edge_pa != settled_pa else math.inf
    return math.log(ratio) / decay if 1.0 <= ratio < math.inf else math.inf
