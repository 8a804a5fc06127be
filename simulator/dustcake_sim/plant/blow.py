"""What energised valves do to the rows while they blow."""

from __future__ import annotations

from collections.abc import Sequence

from dustcake_sim.plant.pulse import effect, removed_share, settle_dust
from dustcake_sim.plant.record import record
from dustcake_sim.plant.state import Inputs, Plant, State

INSTANT_S = 1e-9
"""Shorter than this, a span of time is rounding."""


@record
class Blown:
    """The rows after some blowing. Tuples have one entry for each row."""

    cake_kg_m2: list[float]
    energised_s: tuple[float, ...]
    pulse_share: tuple[float, ...]
    fallen_kg: float
    """Dust that fell into the drum, kg."""
    valves_open: int


def blowing(plant: Plant, state: State, inputs: Inputs) -> list[bool]:
    """For each row, whether its diaphragm is open or leaves its seat at this instant."""
    from_s = plant.header.opening_delay_s - INSTANT_S
    return [
        on and energised_s >= from_s
        for on, energised_s in zip(inputs.energised, state.energised_s, strict=True)
    ]


def openness(plant: Plant, blown_at: Sequence[bool]) -> list[float] | None:
    """For each row the share of its area that takes air; None: all of it."""
    if plant.media.held_back == 0.0 or not any(blown_at):
        return None
    return [1.0 - plant.media.held_back if blown else 1.0 for blown in blown_at]


def blow(
    plant: Plant, state: State, cakes: Sequence[float], dp_pa: float, dt_s: float, inputs: Inputs
) -> Blown:
    """The rows after `dt_s`, in which no diaphragm opens midway.

    `cakes` (kg/m2) are those grown by then. How much a pulse takes off is settled by dP, header
    pressure and cake at the instant at which its diaphragm opens.
    """
    delay_s = plant.header.opening_delay_s
    after = list(cakes)
    energised_s, shares = [0.0] * plant.rows, [0.0] * plant.rows
    fallen, valves_open = 0.0, 0
    for row, is_open in enumerate(blowing(plant, state, inputs)):
        if not inputs.energised[row]:
            continue
        if not is_open:
            energised_s[row] = state.energised_s[row] + dt_s
            continue
        valves_open += 1
        # Exactly the delay, whatever rounding the sum of the steps up to it has left.
        since_s = max(state.energised_s[row], delay_s)
        energised_s[row] = since_s + dt_s
        open_s = since_s - delay_s if since_s - delay_s > INSTANT_S else 0.0
        share = state.pulse_share[row]
        if open_s == 0.0:
            share = removed_share(
                plant.media,
                state.header_gauge_pa,
                cake_kg_m2=state.cake_kg_m2[row],
                dp_pa=dp_pa,
                stickiness=inputs.stickiness,
                row_factor=plant.row_cleaning[row] if plant.row_cleaning else 1.0,
            )
        shares[row] = share
        before, now = (effect(plant.media, each_s) for each_s in (open_s, open_s + dt_s))
        if now > before and share > 0.0:
            off = after[row] * share * (now - before) / (1.0 - share * before)
            after, down = settle_dust(
                plant.drum, state.drum_kg, after, row, off, state.blower_speed
            )
            fallen += down
    return Blown(after, tuple(energised_s), tuple(shares), fallen * plant.row_area_m2, valves_open)
