"""Cake growth: dW/dt = c V on each row.

By a fourth-order Runge-Kutta step, or by the midpoint where the step is short enough for it.
"""

from __future__ import annotations

from collections.abc import Sequence

from dustcake_sim.plant.fan import speed_after
from dustcake_sim.plant.media import Media, lasting_drag_pa_s_m
from dustcake_sim.plant.record import record
from dustcake_sim.plant.state import Inputs, Plant, State, Throughflow
from dustcake_sim.plant.throughflow import throughflow

MOST_STIFFENING = 0.05
"""How much of its drag a row may gain in one step: 5 % leaves an error of about 1e-8."""
LONGEST_STEP_S = 3600.0
SHORT = 0.02
"""Part of the longest step up to which the midpoint will do: its error goes with the cube."""


@record
class Growth:
    """What one step added. Tuples have one entry for each row."""

    cake_kg_m2: list[float]
    residual_drag_pa_s_m: list[float]
    caught_kg_m2: list[float]
    dust_in_kg: float
    emitted_kg: float


def ungrown(state: State) -> Growth:
    """No dust, no growth."""
    return Growth(
        list(state.cake_kg_m2),
        list(state.residual_drag_pa_s_m),
        list(state.caught_kg_m2),
        0.0,
        0.0,
    )


def growth_step_s(plant: Plant, state: State, now: Throughflow, inputs: Inputs) -> float:
    """Longest step, s, over which the drags change little."""
    media, dust = plant.media, inputs.dust_kg_m3
    per_kg_m2 = media.cake_resistance_per_s + media.blinding_per_s * inputs.stickiness
    if media.new_drag_pa_s_m is not None:
        per_kg_m2 += abs(media.residual_drag_pa_s_m - media.new_drag_pa_s_m) / media.seasoning_kg_m2
    fastest = max(
        velocity / drag
        for velocity, drag in zip(now.face_velocity_m_s, state.residual_drag_pa_s_m, strict=True)
    )
    stiffening_per_s = per_kg_m2 * dust * fastest
    if stiffening_per_s * LONGEST_STEP_S <= MOST_STIFFENING:
        return LONGEST_STEP_S
    return MOST_STIFFENING / stiffening_per_s


def grown(
    plant: Plant,
    state: State,
    now: Throughflow,
    open_to: Sequence[float] | None,
    dt_s: float,
    inputs: Inputs,
    *,
    short: bool,
) -> Growth:
    """What `dt_s` seconds add; `now` is the flow at their beginning, `open_to` as for it."""
    load = inputs.dust_kg_m3 * dt_s
    holes_m2 = sum(state.hole_m2)
    if state.blower_speed == 1.0 and inputs.blower_running:
        middle_speed = end_speed = 1.0
    else:
        speed, running = state.blower_speed, inputs.blower_running
        middle_speed = speed_after(plant.blower, speed, running, dt_s / 2.0)
        end_speed = speed_after(plant.blower, speed, running, dt_s)

    def flow_with(velocities: Sequence[float], part: float, speed: float) -> Throughflow:
        added = [load * part * velocity for velocity in velocities]
        return throughflow(
            plant,
            _residuals(plant.media, state, added, inputs.stickiness),
            [cake + more for cake, more in zip(state.cake_kg_m2, added, strict=True)],
            holes_m2,
            open_to,
            speed,
            inputs.damper,
            inputs.air,
        )

    second = flow_with(now.face_velocity_m_s, 0.5, middle_speed)
    if short:
        added = [load * velocity for velocity in second.face_velocity_m_s]
        drawn, leaked = second.flow_m3_s, second.leak_m3_s
    else:
        third = flow_with(second.face_velocity_m_s, 0.5, middle_speed)
        fourth = flow_with(third.face_velocity_m_s, 1.0, end_speed)
        added = [
            load * _mean(*velocities)
            for velocities in zip(
                now.face_velocity_m_s,
                second.face_velocity_m_s,
                third.face_velocity_m_s,
                fourth.face_velocity_m_s,
                strict=True,
            )
        ]
        leaked = _mean(now.leak_m3_s, second.leak_m3_s, third.leak_m3_s, fourth.leak_m3_s)
        drawn = _mean(now.flow_m3_s, second.flow_m3_s, third.flow_m3_s, fourth.flow_m3_s)
    return Growth(
        cake_kg_m2=[cake + more for cake, more in zip(state.cake_kg_m2, added, strict=True)],
        residual_drag_pa_s_m=list(_residuals(plant.media, state, added, inputs.stickiness)),
        caught_kg_m2=[was + more for was, more in zip(state.caught_kg_m2, added, strict=True)],
        dust_in_kg=load * (drawn - leaked),
        emitted_kg=load * leaked,
    )


def _mean(first: float, second: float, third: float, fourth: float) -> float:
    return (first + 2.0 * (second + third) + fourth) / 6.0


def _residuals(
    media: Media, state: State, added: Sequence[float], stickiness: float
) -> Sequence[float]:
    if media.blinding_per_s == 0.0 and media.new_drag_pa_s_m is None:
        return state.residual_drag_pa_s_m
    return [
        residual + lasting_drag_pa_s_m(media, caught, caught + more, stickiness)
        for residual, caught, more in zip(
            state.residual_drag_pa_s_m, state.caught_kg_m2, added, strict=True
        )
    ]
