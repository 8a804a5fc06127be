"""The air a collector breathes: density and viscosity from temperature, altitude and humidity."""

from __future__ import annotations

import math

from dustcake_sim.plant.record import record

GAS_CONSTANT_J_KG_K = 287.05
SEA_LEVEL_PA = 101_325.0
REFERENCE_TEMPERATURE_K = 293.15
_FREEZING_K = 273.15
_VAPOUR_LIGHTER = 0.378  # 1 - 0.622: by how much less a pascal of vapour weighs than one of dry air


def pressure_at_altitude_pa(altitude_m: float) -> float:
    """Air pressure, Pa, at this height above the sea: the 1976 standard atmosphere, to 11 km."""
    geopotential_m = altitude_m / (1.0 + altitude_m / 6_356_766.0)
    return float(SEA_LEVEL_PA * (1.0 - 0.0065 * geopotential_m / 288.15) ** 5.255876)


def saturation_pa(temperature_k: float) -> float:
    """Vapour pressure of water, Pa: Magnus formula, to 0.3 % from -45 to 60 C.

    Coefficients as the World Meteorological Organization recommends (secondary source).
    """
    celsius = temperature_k - _FREEZING_K
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


def density_kg_m3(
    temperature_k: float, pressure_pa: float = SEA_LEVEL_PA, relative_humidity: float = 0.0
) -> float:
    """Density of moist air, kg/m3; `relative_humidity` from 0 to 1."""
    vapour_pa = relative_humidity * saturation_pa(temperature_k)
    return (pressure_pa - _VAPOUR_LIGHTER * vapour_pa) / (GAS_CONSTANT_J_KG_K * temperature_k)


def viscosity_pa_s(temperature_k: float) -> float:
    """Dynamic viscosity of air, Pa s: Sutherland's law (1893), its constant for air from a
    secondary source, the reference value from memory."""
    ratio = temperature_k / _FREEZING_K
    return float(1.716e-5 * ratio**1.5 * (_FREEZING_K + 110.4) / (temperature_k + 110.4))


REFERENCE_DENSITY_KG_M3 = density_kg_m3(REFERENCE_TEMPERATURE_K)
REFERENCE_VISCOSITY_PA_S = viscosity_pa_s(REFERENCE_TEMPERATURE_K)


@record
class Air:
    """Air in a collector.

    Fan and duct are rated in dry air of 20 C at sea level, and so is the media; the two ratios say
    how far this air is from it. Turbulent losses and the fan's pressure go with density, the drag
    of media and cake (laminar: Darcy) with viscosity.
    """

    density_kg_m3: float
    density_ratio: float
    viscosity_ratio: float


def air_at(
    temperature_k: float, pressure_pa: float = SEA_LEVEL_PA, relative_humidity: float = 0.0
) -> Air:
    """Air at this temperature, pressure (absolute) and relative humidity (0 to 1)."""
    density = density_kg_m3(temperature_k, pressure_pa, relative_humidity)
    return Air(
        density_kg_m3=density,
        density_ratio=density / REFERENCE_DENSITY_KG_M3,
        viscosity_ratio=viscosity_pa_s(temperature_k) / REFERENCE_VISCOSITY_PA_S,
    )


REFERENCE_AIR = air_at(REFERENCE_TEMPERATURE_K)
