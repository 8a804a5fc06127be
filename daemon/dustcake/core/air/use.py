"""Compressed air that pulses have used: measured at the header where it can be, else as rated."""

from math import floor

from dustcake.core.air.pulse_air import dip_of, drawn_by_dip_kg, free_m3, mass_kg
from dustcake.core.air.state import AirUse, Amount, Watch
from dustcake.core.events import AirUsed
from dustcake.core.reading import Sample
from dustcake.core.record import replace, update
from dustcake.core.setpoints import OutputKind, Setpoints
from dustcake.core.state import BlowerState, State
from dustcake.core.step_context import StepContext

HOUR_S, DAY_S = 3600.0, 86_400.0
_READINGS = 3  # of the header after a pulse; then it is settled
_OPEN_FOR_S = 15.0  # no longer, however slowly polls come


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
    if air.watch is not None and air.watch.ended_s is not None:
        air = _settled(context, replace(air, watch=replace(air.watch, readings=())))
    return replace(state, air=_hour_closed(context, replace(air, watch=None), state.blower))


def advance(context: StepContext, state: State) -> State:
    """Follow the pulses of this step. A pulse that was interrupted, or ended early, has drawn air
    as well."""
    return update(state, air=_followed(context, state))


def _followed(context: StepContext, state: State) -> AirUse:
    air, pulsing, before, header = state.air, state.pulsing, context.before.pulsing, state.header
    flight, was = pulsing.in_flight, before.in_flight
    begun = (
        flight is not None
        and flight.valve is not None
        and (was is None or was.command_id != flight.command_id)
    )
    if sum(pulsing.counts) > sum(before.counts):
        air = _ended(context, air)
    elif air.watch is not None and air.watch.ended_s is None and flight is None:
        air = replace(air, watch=None)  # it failed
    header_pa = None if header is None else header.usable_pa
    if air.watch is not None and air.watch.ended_s is not None:
        air = _watched(context, air, air.watch, header, give_up=begun)
    if begun and header_pa is not None and measures(context.setpoints):
        air = replace(air, watch=Watch(header_pa, context.now_s))
    if air.hour_ends_s is not None and context.is_due(air.hour_ends_s):
        air = _hour_closed(context, air, state.blower)
    return air


def _ended(context: StepContext, air: AirUse) -> AirUse:
    watch = air.watch
    if watch is None or watch.ended_s is not None:
        return _used(context, air, None)
    ended_s = max(context.now_s, watch.began_s + context.setpoints.pulsing.on_time_s)
    return replace(air, watch=replace(watch, ended_s=ended_s))


def _watched(
    context: StepContext, air: AirUse, watch: Watch, header: Sample | None, *, give_up: bool
) -> AirUse:
    """Another reading of the header, if there is one, and what they say once that is all."""
    ended_s = watch.ended_s
    assert ended_s is not None
    last_s = watch.readings[-1][0] if watch.readings else ended_s
    if header is not None and header.usable_pa is not None and header.at.mono_s > last_s:
        readings = (*watch.readings, (header.at.mono_s, header.usable_pa))
        watch = replace(watch, readings=readings)
        air = replace(air, watch=watch)
    if len(watch.readings) >= _READINGS or give_up or context.is_due(ended_s + _OPEN_FOR_S):
        return _settled(context, air)
    return air


def _settled(context: StepContext, air: AirUse) -> AirUse:
    watch, volume_m3 = air.watch, context.setpoints.air.header_volume_m3
    assert watch is not None
    assert watch.ended_s is not None
    dip = dip_of(watch.before_pa, watch.ended_s, watch.readings)
    drawn = None
    if dip is not None and volume_m3 is not None:
        mass = drawn_by_dip_kg(volume_m3, watch.before_pa, dip)
        drawn = free_m3(mass, context.setpoints.air.reference_pa)
    return _used(context, replace(air, watch=None), drawn)


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
    context.emit(
        AirUsed(
            from_utc_s=air.hour_utc_s,
            free_m3=hour.free_m3,
            mass_kg=mass_kg(hour.free_m3, context.setpoints.air.reference_pa),
            measured=hour.measured,
            rated=hour.rated,
            blower_run_s=blower_s - air.told_blower_s,
        )
    )
    return replace(
        air,
        hour=Amount(),
        hour_utc_s=None,
        hour_ends_s=None,
        told_blower_s=blower_s,
        last_hour=hour,
    )
