"""The collector in time: one function from a state to the next."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dustcake_sim.plant.blower import speed_after
from dustcake_sim.plant.fan import flow_m3_s
from dustcake_sim.plant.header import air_kg, blown_pa, recharged_pa
from dustcake_sim.plant.media import cake_after_pulse, drag_pa_s_m, removed_share
from dustcake_sim.plant.rows import effective_drag_pa_s_m, face_velocities_m_s
from dustcake_sim.plant.state import Inputs, OperatingPoint, Plant, State

PULSE_STEP_S = 0.01
"""Longest step while a valve is energised, s: a tenth of a usual pulse."""
SPIN_STEP_S = 0.25
"""Longest step while the blower changes speed, s."""
STEADY_STEP_S = 10.0
"""Longest step otherwise, s: cake growth is slow and the midpoint rule follows it closely."""


def operating_point(plant: Plant, state: State) -> OperatingPoint:
    """Flow, dP and side pressures of a collector in this state.

    Fan downstream of the filters: the duct puts the dirty side below the room, the filters put
    the clean side further below.
    """
    return _operate(plant, state.residual_drag_pa_s_m, state.cake_kg_m2, state.blower_speed)


def _operate(
    plant: Plant, residuals: Sequence[float], cakes: Sequence[float], speed: float
) -> OperatingPoint:
    drags = [
        drag_pa_s_m(plant.media, residual, cake)
        for residual, cake in zip(residuals, cakes, strict=True)
    ]
    loss_pa_s_m3 = effective_drag_pa_s_m(drags) / plant.area_m2
    flow = flow_m3_s(plant.fan, plant.duct, loss_pa_s_m3, speed)
    dp_pa = loss_pa_s_m3 * flow
    dirty_gauge_pa = -plant.duct.resistance_pa_s2_m6 * flow * flow
    return OperatingPoint(
        flow_m3_s=flow,
        dp_pa=dp_pa,
        face_velocity_m_s=face_velocities_m_s(dp_pa, drags),
        dirty_side_gauge_pa=dirty_gauge_pa,
        clean_side_gauge_pa=dirty_gauge_pa - dp_pa,
    )


def advance(plant: Plant, state: State, dt_s: float, inputs: Inputs) -> State:
    """The state `dt_s` seconds later, with these inputs all the while.

    Divides long spans into steps short enough for what is going on. Raises ValueError when
    `dt_s` is negative or `inputs` does not fit the plant.
    """
    if dt_s < 0.0:
        raise ValueError(f"dt_s is {dt_s}: a collector does not run backwards")
    if len(inputs.energised) != plant.rows:
        raise ValueError(f"{len(inputs.energised)} valves given for {plant.rows} rows")
    left_s = dt_s
    while left_s > 0.0:
        longest_s = _longest_step_s(state, inputs)
        step_s = left_s / max(1, math.ceil(left_s / longest_s))
        state = _step(plant, state, step_s, inputs)
        left_s = 0.0 if step_s == left_s else left_s - step_s
    return state


def _longest_step_s(state: State, inputs: Inputs) -> float:
    if any(inputs.energised):
        return PULSE_STEP_S
    if state.blower_speed != (1.0 if inputs.blower_running else 0.0):
        return SPIN_STEP_S
    return STEADY_STEP_S


def _step(plant: Plant, state: State, dt_s: float, inputs: Inputs) -> State:
    cakes, dust_in_kg = _grown(plant, state, dt_s, inputs)
    speed = speed_after(plant.blower, state.blower_speed, inputs.blower_running, dt_s)
    delay_s = plant.header.opening_delay_s
    dust_off_kg = 0.0
    open_s = 0.0
    energised_s = [0.0] * plant.rows
    for row, energised in enumerate(inputs.energised):
        if not energised:
            continue
        before_s = state.energised_s[row]
        after_s = before_s + dt_s
        energised_s[row] = after_s
        open_s += max(0.0, after_s - max(before_s, delay_s))
        if before_s <= delay_s < after_s:
            share = removed_share(plant.media, state.header_gauge_pa)
            left = cake_after_pulse(cakes[row], share)
            dust_off_kg += (cakes[row] - left) * plant.row_area_m2
            cakes[row] = left
    header_pa = state.header_pa
    air_used_kg = 0.0
    if open_s > 0.0:
        header_pa = blown_pa(plant.header, state.header_pa, open_s)
        air_used_kg = air_kg(plant.header, state.header_pa) - air_kg(plant.header, header_pa)
    return State(
        residual_drag_pa_s_m=state.residual_drag_pa_s_m,
        cake_kg_m2=tuple(cakes),
        energised_s=tuple(energised_s),
        blower_speed=speed,
        header_pa=recharged_pa(plant.header, header_pa, inputs.supply_gauge_pa, dt_s),
        dust_in_kg=state.dust_in_kg + dust_in_kg,
        dust_off_kg=state.dust_off_kg + dust_off_kg,
        air_used_kg=state.air_used_kg + air_used_kg,
    )


def _grown(plant: Plant, state: State, dt_s: float, inputs: Inputs) -> tuple[list[float], float]:
    """Cake on each row after dW/dt = c V by the midpoint rule, and the dust it took, kg."""
    cakes = list(state.cake_kg_m2)
    if state.blower_speed == 0.0 and not inputs.blower_running:
        return cakes, 0.0
    middle_speed = speed_after(plant.blower, state.blower_speed, inputs.blower_running, dt_s / 2.0)
    start = operating_point(plant, state)
    half = inputs.dust_kg_m3 * dt_s / 2.0
    middle_cakes = [
        cake + half * velocity
        for cake, velocity in zip(cakes, start.face_velocity_m_s, strict=True)
    ]
    middle = _operate(plant, state.residual_drag_pa_s_m, middle_cakes, middle_speed)
    load = inputs.dust_kg_m3 * dt_s
    grown = [
        cake + load * velocity
        for cake, velocity in zip(cakes, middle.face_velocity_m_s, strict=True)
    ]
    return grown, load * middle.flow_m3_s
