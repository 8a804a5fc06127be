"""The collector in time: one function from a state to the next."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dustcake_sim.plant.air import REFERENCE_AIR, Air
from dustcake_sim.plant.blow import INSTANT_S, blow, blowing, openness
from dustcake_sim.plant.fan import duct_pa_s2_m6, speed_after
from dustcake_sim.plant.growth import SHORT, grown, growth_step_s, ungrown
from dustcake_sim.plant.state import Inputs, OperatingPoint, Plant, State, Throughflow
from dustcake_sim.plant.tank import tank_after
from dustcake_sim.plant.throughflow import throughflow

PULSE_STEP_S = 0.05
"""Longest step while a pulse takes effect, s."""
SPIN_STEP_S = 0.25
"""Longest step while the blower changes speed, s."""


def operating_point(
    plant: Plant, state: State, air: Air = REFERENCE_AIR, damper: float = 1.0
) -> OperatingPoint:
    """Flow, dP and side pressures of a collector in this state.

    Fan downstream of the filters: the duct puts the dirty side below the room, the filters put
    the clean side further below.
    """
    blown_at = [energised_s > plant.header.opening_delay_s for energised_s in state.energised_s]
    now = _through(plant, state, openness(plant, blown_at), air, damper)
    flow, dirty_gauge_pa = now.flow_m3_s, 0.0
    if flow > 0.0:
        dirty_gauge_pa = -duct_pa_s2_m6(plant.duct, damper, air) * flow * flow
    return OperatingPoint(
        flow_m3_s=flow,
        dp_pa=now.dp_pa,
        face_velocity_m_s=tuple(now.face_velocity_m_s),
        dirty_side_gauge_pa=dirty_gauge_pa,
        clean_side_gauge_pa=dirty_gauge_pa - now.dp_pa,
    )


def advance(plant: Plant, state: State, dt_s: float, inputs: Inputs) -> State:
    """The state `dt_s` seconds later, with these inputs all the while.

    Divides long spans into steps short enough for what is going on, and at the instants at which
    diaphragms open. Raises ValueError when `dt_s` is negative or `inputs` does not fit the plant.
    """
    if dt_s < 0.0:
        raise ValueError(f"dt_s is {dt_s}: a collector does not run backwards")
    if len(inputs.energised) != plant.rows:
        raise ValueError(f"{len(inputs.energised)} valves given for {plant.rows} rows")
    left_s, energised = dt_s, any(inputs.energised)
    open_to: Sequence[float] | None = None
    while left_s > 0.0:
        if energised:
            open_to = openness(plant, blowing(plant, state, inputs))
        now = None
        if state.blower_speed > 0.0 or inputs.blower_running:
            now = _through(plant, state, open_to, inputs.air, inputs.damper)
        longest_s = _longest_step_s(plant, state, now, inputs)
        step_s = left_s if left_s <= longest_s else left_s / math.ceil(left_s / longest_s)
        if energised:
            step_s = min(step_s, _next_opening_s(plant, state, inputs))
        short = step_s < SHORT * longest_s
        state = _step(plant, state, now, open_to, step_s, inputs, short=short)
        left_s -= step_s
        if left_s < INSTANT_S:
            break
    return state


def _longest_step_s(plant: Plant, state: State, now: Throughflow | None, inputs: Inputs) -> float:
    if any(inputs.energised) and _taking_effect(plant, state, inputs):
        return PULSE_STEP_S
    if now is None or inputs.dust_kg_m3 == 0.0:
        return math.inf  # no cake grows, and all else has a closed form
    longest_s = growth_step_s(plant, state, now, inputs)
    if state.blower_speed != (1.0 if inputs.blower_running else 0.0):
        longest_s = min(longest_s, SPIN_STEP_S)
    return longest_s


def _taking_effect(plant: Plant, state: State, inputs: Inputs) -> bool:
    """Whether a pulse is still at work on its cake; one that only blows on is not."""
    until_s = plant.header.opening_delay_s + plant.media.full_pulse_s + PULSE_STEP_S
    return any(
        on and energised_s < until_s
        for on, energised_s in zip(inputs.energised, state.energised_s, strict=True)
    )


def _next_opening_s(plant: Plant, state: State, inputs: Inputs) -> float:
    """Time, s, until the next diaphragm leaves its seat; infinite if none is about to."""
    delay_s = plant.header.opening_delay_s
    return min(
        (
            delay_s - since_s
            for on, since_s in zip(inputs.energised, state.energised_s, strict=True)
            if on and delay_s - since_s > INSTANT_S
        ),
        default=math.inf,
    )


def _through(
    plant: Plant, state: State, open_to: Sequence[float] | None, air: Air, damper: float
) -> Throughflow:
    return throughflow(
        plant,
        state.residual_drag_pa_s_m,
        state.cake_kg_m2,
        sum(state.hole_m2),
        open_to,
        state.blower_speed,
        damper,
        air,
    )


def _step(
    plant: Plant,
    state: State,
    now: Throughflow | None,
    open_to: Sequence[float] | None,
    dt_s: float,
    inputs: Inputs,
    *,
    short: bool,
) -> State:
    if now is None or inputs.dust_kg_m3 == 0.0:
        growth = ungrown(state)
    else:
        growth = grown(plant, state, now, open_to, dt_s, inputs, short=short)
    speed = speed_after(plant.blower, state.blower_speed, inputs.blower_running, dt_s)
    cakes, energised_s, shares = growth.cake_kg_m2, state.energised_s, state.pulse_share
    drum_kg, dust_off_kg, valves_open = state.drum_kg, state.dust_off_kg, 0
    if any(inputs.energised) or any(energised_s):
        blown = blow(plant, state, cakes, 0.0 if now is None else now.dp_pa, dt_s, inputs)
        cakes, energised_s, shares = blown.cake_kg_m2, blown.energised_s, blown.pulse_share
        drum_kg, dust_off_kg = drum_kg + blown.fallen_kg, dust_off_kg + blown.fallen_kg
        valves_open = blown.valves_open
    tank = tank_after(
        plant.header,
        state.header_pa,
        state.header_kg,
        inputs.supply,
        valves_open,
        dt_s,
        state.ambient_pa,
    )
    return State(
        residual_drag_pa_s_m=tuple(growth.residual_drag_pa_s_m),
        cake_kg_m2=tuple(cakes),
        caught_kg_m2=tuple(growth.caught_kg_m2),
        hole_m2=state.hole_m2,
        energised_s=energised_s,
        pulse_share=shares,
        blower_speed=speed,
        header_pa=tank.pressure_pa,
        header_kg=state.header_kg + tank.supplied_kg - tank.blown_kg - tank.leaked_kg,
        ambient_pa=state.ambient_pa,
        drum_kg=drum_kg,
        dust_in_kg=state.dust_in_kg + growth.dust_in_kg,
        dust_off_kg=dust_off_kg,
        emitted_kg=state.emitted_kg + growth.emitted_kg,
        air_used_kg=state.air_used_kg + tank.blown_kg,
        air_leaked_kg=state.air_leaked_kg + tank.leaked_kg,
        air_supplied_kg=state.air_supplied_kg + tank.supplied_kg,
    )
