"""What ageing and maintenance do to the filters."""

from __future__ import annotations

from dataclasses import replace

from dustcake_sim.plant.state import Plant, State


def worn(state: State, added_drag_pa_s_m: float) -> State:
    """The state with this much residual drag (Pa s/m) added to every row.

    Blinded media: no pulse takes it off again.
    """
    residuals = tuple(drag + added_drag_pa_s_m for drag in state.residual_drag_pa_s_m)
    return replace(state, residual_drag_pa_s_m=residuals)


def filters_changed(plant: Plant, state: State) -> State:
    """The state with new, clean filters in every row; the old cake leaves with the old set."""
    carried_kg = sum(state.cake_kg_m2) * plant.row_area_m2
    return replace(
        state,
        residual_drag_pa_s_m=(plant.media.residual_drag_pa_s_m,) * plant.rows,
        cake_kg_m2=(0.0,) * plant.rows,
        dust_off_kg=state.dust_off_kg + carried_kg,
    )
