"""Air of one pulse from the header: how much, by what went out of its tank.

Free air is stated at 20 C and the reference pressure chosen (101.325 kPa, or 100 kPa as ISO 8778
has it). ``R`` is that of dry air.
"""

from math import exp, log

from dustcake.core.record import record

GAS_CONSTANT_J_KG_K = 287.05
REFERENCE_K = 293.15
RATIO_OF_HEATS = 1.4
ATMOSPHERE_PA = 101_325.0  # a site 1500 m up errs by a hundredth for it

_FEWEST_READINGS = 2
_SEEN_FROM = 0.01  # of the pressure before: a smaller dip is lost in noise and in the recharge
_STEADY = 0.97  # of the dip left by the last reading: neither recharge nor warming to speak of
_MOST_EXTRAPOLATED = 2.0


def drawn_kg(volume_m3: float, before_pa: float, after_pa: float) -> float:
    """Mass that left a tank, kg, by its pressure once what remains is as warm as before again.
    Gauge or absolute, it is the difference that counts."""
    return volume_m3 * (before_pa - after_pa) / (GAS_CONSTANT_J_KG_K * REFERENCE_K)


def drawn_fast_kg(volume_m3: float, before_pa: float, dip_pa: float) -> float:
    """The same by the momentary dip, before any heat has come back (adiabatic): a pulse cools what
    it leaves behind, so that the dip is deeper than the air taken would tell, by a third in the
    usual range. Pressures are absolute."""
    held_kg = before_pa * volume_m3 / (GAS_CONSTANT_J_KG_K * REFERENCE_K)
    left: float = (dip_pa / before_pa) ** (1.0 / RATIO_OF_HEATS)
    return held_kg * (1.0 - left)


def free_m3(mass_kg: float, reference_pa: float) -> float:
    """Volume of that mass at 20 C and the reference pressure, m3."""
    return mass_kg * GAS_CONSTANT_J_KG_K * REFERENCE_K / reference_pa


def mass_kg(free_air_m3: float, reference_pa: float) -> float:
    """Mass of free air, kg."""
    return free_air_m3 * reference_pa / (GAS_CONSTANT_J_KG_K * REFERENCE_K)


@record
class Dip:
    """How far the header fell, Pa. ``momentary``: when the pulse ended, before any heat had come
    back; else once its air was warm again."""

    pa: float
    momentary: bool


def dip_of(
    before_pa: float, ended_s: float, readings: tuple[tuple[float, float], ...]
) -> Dip | None:
    """The dip of a pulse that ended at ``ended_s``, from ``readings`` (seconds and Pa) after it.

    Meanwhile the regulator recharges the tank and its wall warms the air (in some 8 s, estimated).
    Either way the rest of the dip falls about as an exponential, and going back along it to the end
    of the pulse finds the momentary dip. Where nothing recovers, the air is warm already. None
    where the readings do not say: too few, nothing seen any more, or so much of it recovered
    before the first that going back is guesswork.
    """
    if len(readings) < _FEWEST_READINGS:
        return None
    (first_s, first_pa), (last_s, last_pa) = readings[0], readings[-1]
    first, last = before_pa - first_pa, before_pa - last_pa
    if first < _SEEN_FROM * before_pa:
        return None
    if last >= _STEADY * first:
        return Dip(first, False)
    # What has recovered wholly by the last reading is known to be at least this fast.
    last = max(last, 0.05 * first)
    back = exp(log(first / last) / (last_s - first_s) * max(0.0, first_s - ended_s))
    return Dip(first * back, True) if back <= _MOST_EXTRAPOLATED else None


def drawn_by_dip_kg(volume_m3: float, before_pa: float, dip: Dip) -> float:
    """Mass of the pulse, kg; ``before_pa``: gauge pressure before it."""
    if not dip.momentary:
        return drawn_kg(volume_m3, dip.pa, 0.0)
    absolute_pa = before_pa + ATMOSPHERE_PA
    return drawn_fast_kg(volume_m3, absolute_pa, max(0.0, absolute_pa - dip.pa))
