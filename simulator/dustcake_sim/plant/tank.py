"""The header's tank in time: pressure and mass of air, with the temperature between them.

A pulse empties it faster than the wall can warm it, so its air cools and pressure dips further
than the air taken would suggest; then the wall warms the air, and pressure recovers by itself. The
energy balance of an ideal gas, with the room's temperature T0 for the wall and for what comes in:

    dm/dt = m_in - m_out
    V/R dp/dt = gamma (m_in T0 - m_out T) + m (T0 - T) / warming_time,    T = p V / (m R)

The exchange with the wall goes with the mass of air, as free convection about does. A mass is
counted here by the pressure, Pa, that it has once it is as warm as the room: p = `warm` T/T0.
"""

from __future__ import annotations

import math

from dustcake_sim.plant.air import REFERENCE_TEMPERATURE_K
from dustcake_sim.plant.header import (
    AMBIENT_PA,
    AirSupply,
    Header,
    TankStep,
    air_kg,
    valve_flow_kg_s,
)
from dustcake_sim.plant.runge_kutta import integrated

GAMMA = 1.4  # ratio of specific heats of air
_AT_REST = 1e-12  # of pressure: nearer to rest than this, nothing moves any more
_TOLERANCE = 1e-7  # of pressure, in one step


def tank_after(
    header: Header,
    pressure_pa: float,
    mass_kg: float,
    supply: AirSupply,
    open_valves: int,
    dt_s: float,
    ambient_pa: float = AMBIENT_PA,
) -> TankStep:
    """The tank, at `pressure_pa` (absolute) with `mass_kg` in it, after `dt_s`.

    `open_valves` are open all the while. Exact while nothing leaves and the regulator alone
    refills; else by Runge-Kutta steps.
    """
    tank = _Tank(header, supply, open_valves, ambient_pa)
    warm_pa = mass_kg / tank.kg_per_pa
    if tank.conductance == 0.0:
        if tank.at_rest(pressure_pa, warm_pa):
            return TankStep(pressure_pa, 0.0, 0.0, 0.0)
        refilled = tank.refilled(pressure_pa, warm_pa, dt_s)
        if refilled is not None:
            after_pa, gained_pa = refilled
            return TankStep(after_pa, 0.0, 0.0, gained_pa * tank.kg_per_pa)
    after_pa, after_warm_pa, supplied_pa = integrated(
        tank.rates, pressure_pa, warm_pa, dt_s, _TOLERANCE * pressure_pa
    )
    # Never less than nothing, which rounding could make of it.
    supplied_pa = max(0.0, supplied_pa)
    out_kg = max(0.0, warm_pa + supplied_pa - after_warm_pa) * tank.kg_per_pa
    leaked_kg = out_kg * tank.leak_share
    supplied_kg = supplied_pa * tank.kg_per_pa
    return TankStep(after_pa, out_kg - leaked_kg, leaked_kg, supplied_kg)


class _Tank:
    """The tank's equations with everything that does not change during a step."""

    def __init__(
        self, header: Header, supply: AirSupply, open_valves: int, ambient_pa: float
    ) -> None:
        self.ambient_pa = ambient_pa
        self.critical_ratio = header.critical_ratio
        self.kg_per_pa = air_kg(header, 1.0)
        self.conductance = open_valves * header.conductance_m3_s_pa + supply.leak_m3_s_pa
        self.leak_share = supply.leak_m3_s_pa / self.conductance if self.conductance else 0.0
        self.supply_pa = ambient_pa + supply.gauge_pa
        self.refill_per_s = 1.0 / header.recharge_time_s
        self.warming_per_s = 1.0 / header.warming_time_s
        self.most_pa_s = supply.most_kg_s / self.kg_per_pa
        # Below this the compressor, and not the regulator, is what limits the refill.
        self.limited_pa = self.supply_pa - self.most_pa_s / self.refill_per_s

    def at_rest(self, pressure_pa: float, warm_pa: float) -> bool:
        """Whether nothing moves while all valves are shut."""
        near_pa = _AT_REST * pressure_pa
        return abs(warm_pa - pressure_pa) <= near_pa and (
            pressure_pa >= self.supply_pa - near_pa or self.most_pa_s == 0.0
        )

    def rates(self, pressure_pa: float, warm_pa: float) -> tuple[float, float, float]:
        """How fast pressure, warm pressure and what was supplied change, Pa/s."""
        into = out = 0.0
        if pressure_pa < self.supply_pa:
            into = min((self.supply_pa - pressure_pa) * self.refill_per_s, self.most_pa_s)
        # A step that is too long may try a tank with less than nothing in it.
        warmth = pressure_pa / warm_pa if warm_pa > 0.0 else 1.0
        if self.conductance > 0.0:
            flow_kg_s = valve_flow_kg_s(
                self.conductance,
                self.critical_ratio,
                pressure_pa,
                self.ambient_pa,
                warmth * REFERENCE_TEMPERATURE_K,
            )
            out = flow_kg_s / self.kg_per_pa
        warming = (warm_pa - pressure_pa) * self.warming_per_s
        return GAMMA * (into - out * warmth) + warming, into - out, into

    def refilled(
        self, pressure_pa: float, warm_pa: float, dt_s: float
    ) -> tuple[float, float] | None:
        """Pressure, and gain of warm pressure, with all valves shut; None where it has no closed
        form, as the regulator or the compressor comes to its limit on the way."""
        lowest_pa = min(pressure_pa, warm_pa)
        if self.most_pa_s == 0.0 or lowest_pa >= self.supply_pa:
            # Nothing comes in: the wall alone acts.
            off_pa = (pressure_pa - warm_pa) * math.exp(-dt_s * self.warming_per_s)
            return warm_pa + off_pa, 0.0
        if lowest_pa < self.limited_pa or max(pressure_pa, warm_pa) > self.supply_pa:
            return None
        # With u and v what warm and true pressure are short of the supply: u' = -refill v,
        # v' = warming u - (gamma refill + warming) v. Two real, negative rates for gamma > 1.
        refill, warming = self.refill_per_s, self.warming_per_s
        short_warm, short = self.supply_pa - warm_pa, self.supply_pa - pressure_pa
        total = GAMMA * refill + warming
        root = math.sqrt(total * total - 4.0 * refill * warming)
        fast, slow = (total + root) / 2.0, 2.0 * refill * warming / (total + root)
        # Of the two parts of u, each goes with its own rate, and v = rate/refill u.
        fast_part = (refill * short - slow * short_warm) / (fast - slow)
        slow_part = short_warm - fast_part
        fast_part, slow_part = (
            fast_part * math.exp(-fast * dt_s),
            slow_part * math.exp(-slow * dt_s),
        )
        left_warm = fast_part + slow_part
        if left_warm < 0.0:
            return None  # cold air came in beyond the supply: the regulator shuts on the way
        left = (fast * fast_part + slow * slow_part) / refill
        return self.supply_pa - left, short_warm - left_warm


def unsettled_pa(header: Header, pressure_pa: float, mass_kg: float) -> float:
    """By how much pressure, Pa, is off what it will be once the air is as warm as the room."""
    return abs(mass_kg / air_kg(header, 1.0) - pressure_pa)
