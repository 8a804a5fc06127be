"""Compressed air that pulses have used: measured at the header where it can be, else as rated.

A pulse is measured by what went out of the tank of its header. Free air is stated at 20 C and the
reference pressure chosen (101.325 kPa, or 100 kPa as ISO 8778 has it). The gas constant is that of
dry air.
"""

from math import exp, floor, log

from dustcake.core.air.state import AirUse, Amount, PulseMeasurement
from dustcake.core.cleaning.state import InFlight
from dustcake.core.events import AirUsed
from dustcake.core.reading import Sample
from dustcake.core.record import record, replace, update
from dustcake.core.setpoints import OutputKind, Setpoints
from dustcake.core.state import BlowerState, State
from dustcake.core.step_context import StepContext

HOUR_S, DAY_S = 3600.0, 86_400.0
_MOST_READINGS = 3  # of the header after a pulse; then it is settled
_OPEN_FOR_S = 15.0  # no longer, however slowly polls come
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


Readings = tuple[tuple[float, float], ...]
"""Seconds and Pa."""


def dip_of(before_pa: float, ended_s: float, readings: Readings) -> Dip | None:
    """The dip of a pulse that ended at ``ended_s``, from ``readings`` after it.

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


def measures(setpoints: Setpoints) -> bool:
    """Whether pulses can be measured at all."""
    return setpoints.header is not None and setpoints.air.header_volume_m3 is not None


def counts(setpoints: Setpoints) -> bool:
    """Whether pulses are known: a sequencer board reports none."""
    return setpoints.pulsing.kind is not OutputKind.DEMAND_CONTACT


def restart(context: StepContext, state: State) -> State:
    """After a restart: a pulse that had ended and was being measured is counted as rated, and the
    hour is closed, since its end meant the clock as it was."""
    air = state.air
    if air.measurement is not None and air.measurement.ended_s is not None:
        air = _used(context, air, None)
    return replace(state, air=_hour_closed(context, replace(air, measurement=None), state.blower))


def advance(context: StepContext, state: State) -> State:
    """Follow the pulses of this step. A pulse that was interrupted, or ended early, has drawn air
    as well."""
    return update(state, air=_followed(context, state))


def _followed(context: StepContext, state: State) -> AirUse:
    air, pulsing, before = state.air, state.pulsing, context.before.pulsing
    flight = pulsing.in_flight
    begun = _pulse_id(flight) not in (None, _pulse_id(before.in_flight))
    if sum(pulsing.counts) > sum(before.counts):
        air = _ended(context, air)
    elif air.measurement is not None and air.measurement.ended_s is None and flight is None:
        air = replace(air, measurement=None)  # it failed
    air = _watched(context, air, state.header, give_up=begun)
    if begun and state.header_pa is not None and measures(context.setpoints):
        air = replace(air, measurement=PulseMeasurement(state.header_pa, context.now_s))
    if air.hour_ends_s is not None and context.is_due(air.hour_ends_s):
        air = _hour_closed(context, air, state.blower)
    return air


def _pulse_id(flight: InFlight | None) -> int | None:
    """Of the pulse under way."""
    return None if flight is None or flight.valve is None else flight.command_id


def _ended(context: StepContext, air: AirUse) -> AirUse:
    measurement = air.measurement
    if measurement is None or measurement.ended_s is not None:
        return _used(context, air, None)
    ended_s = max(context.now_s, measurement.began_s + context.setpoints.pulsing.on_time_s)
    return replace(air, measurement=replace(measurement, ended_s=ended_s))


def _watched(context: StepContext, air: AirUse, header: Sample | None, *, give_up: bool) -> AirUse:
    """Another reading of the header after a pulse, if there is one, and what they say once that is
    all."""
    measurement = air.measurement
    if measurement is None or measurement.ended_s is None:
        return air
    ended_s, readings = measurement.ended_s, measurement.readings
    last_s = readings[-1][0] if readings else ended_s
    if header is not None and header.usable_pa is not None and header.at.mono_s > last_s:
        readings = (*readings, (header.at.mono_s, header.usable_pa))
        air = replace(air, measurement=replace(measurement, readings=readings))
    if len(readings) < _MOST_READINGS and not give_up and not context.is_due(ended_s + _OPEN_FOR_S):
        return air
    free = _measured_m3(context.setpoints, measurement.before_pa, ended_s, readings)
    return _used(context, replace(air, measurement=None), free)


def _measured_m3(
    setpoints: Setpoints, before_pa: float, ended_s: float, readings: Readings
) -> float | None:
    """Free air of a pulse that ended at ``ended_s``, None where its readings do not say."""
    dip, volume_m3 = dip_of(before_pa, ended_s, readings), setpoints.air.header_volume_m3
    if dip is None or volume_m3 is None:
        return None
    return free_m3(drawn_by_dip_kg(volume_m3, before_pa, dip), setpoints.air.reference_pa)


def _used(context: StepContext, air: AirUse, measured_m3: float | None) -> AirUse:
    """One more pulse; as rated where it was not measured."""
    if measured_m3 is None:
        pulse = Amount(context.setpoints.air.rated_pulse_m3, 0, 1)
    else:
        pulse = Amount(measured_m3, 1, 0)
    utc_s, now_s = context.at.utc_s, context.now_s
    day_number = None if utc_s is None else floor(utc_s / DAY_S)
    same_day = day_number == air.day_number
    if air.hour_ends_s is None:
        into_s = 0.0 if utc_s is None else utc_s % HOUR_S
        air = replace(air, hour_utc_s=utc_s, hour_ends_s=now_s + HOUR_S - into_s)
    return replace(
        air,
        total=air.total.plus(pulse),
        hour=air.hour.plus(pulse),
        day=air.day.plus(pulse) if same_day else pulse,
        day_number=day_number,
    )


def _hour_closed(context: StepContext, air: AirUse, blower: BlowerState) -> AirUse:
    """The hour is over: on record, if any air was used in it."""
    if air.hour_ends_s is None:
        return air
    blower_s, hour = blower.total_until_s(context.now_s), air.hour
    used_kg = mass_kg(hour.free_m3, context.setpoints.air.reference_pa)
    run_s = blower_s - air.accounted_blower_s
    context.emit(AirUsed(air.hour_utc_s, hour.free_m3, used_kg, hour.measured, hour.rated, run_s))
    return replace(
        air,
        hour=Amount(),
        hour_utc_s=None,
        hour_ends_s=None,
        accounted_blower_s=blower_s,
        last_hour=hour,
    )


def needs_next_poll(_context: StepContext, state: State) -> bool:
    """While a pulse is measured, the next readings of the header are needed."""
    return state.air.measurement is not None
