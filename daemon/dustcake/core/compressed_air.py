"""Air of one pulse from the header: how much, by what went out of its tank.

Free air is stated at 20 C and the reference pressure chosen (101.325 kPa, or 100 kPa as ISO 8778
has it). ``R`` is that of dry air; pressure differences are the same gauge or absolute.
"""

from math import exp, log

GAS_CONSTANT_J_KG_K = 287.05
REFERENCE_K = 293.15

_FEWEST_READINGS = 2
_SEEN_FROM = 0.01  # of the pressure before: a smaller dip is lost in noise and in the recharge
_STEADY = 0.97  # of the dip left by the last reading: no recharge to speak of
_MOST_EXTRAPOLATED = 2.0


def drawn_kg(
    volume_m3: float, before_pa: float, after_pa: float, at_k: float = REFERENCE_K
) -> float:
    """Mass that left a tank, kg, once what remains has the temperature ``at_k`` again: the
    recovered pressure, not the momentary dip, which a fast expansion makes deeper (a third more
    mass than true in the usual range)."""
    return volume_m3 * (before_pa - after_pa) / (GAS_CONSTANT_J_KG_K * at_k)


def free_m3(mass_kg: float, reference_pa: float) -> float:
    """Volume of that mass at 20 C and the reference pressure, m3."""
    return mass_kg * GAS_CONSTANT_J_KG_K * REFERENCE_K / reference_pa


def mass_kg(free_air_m3: float, reference_pa: float) -> float:
    """Mass of free air, kg."""
    return free_air_m3 * reference_pa / (GAS_CONSTANT_J_KG_K * REFERENCE_K)


def recovered_dip_pa(
    before_pa: float, ended_s: float, readings: tuple[tuple[float, float], ...]
) -> float | None:
    """How far the header had fallen when the pulse ended at ``ended_s``, Pa, found back from
    ``readings`` (seconds and Pa) taken after it while the regulator recharged the tank.

    The rest of a dip falls as an exponential. None where the readings do not say: too few, nothing
    seen any more, or so much of it recharged before the first that going back is guesswork.
    """
    if len(readings) < _FEWEST_READINGS:
        return None
    (first_s, first_pa), (last_s, last_pa) = readings[0], readings[-1]
    first, last = before_pa - first_pa, before_pa - last_pa
    if first < _SEEN_FROM * before_pa:
        return None
    if last >= _STEADY * first:
        return first
    # What has recharged wholly by the last reading is known to be at least this fast.
    last = max(last, 0.05 * first)
    back = exp(log(first / last) / (last_s - first_s) * max(0.0, first_s - ended_s))
    return first * back if back <= _MOST_EXTRAPOLATED else None
