"""What ageing, damage and maintenance do to a collector."""

from __future__ import annotations

from dataclasses import replace

from dustcake_sim.plant.state import Plant, State


def worn(state: State, added_drag_pa_s_m: float, row: int | None = None) -> State:
    """The state with this much residual drag (Pa s/m) added to every row, or to `row` (from 0).

    Blinded media: no pulse takes it off again.
    """
    residuals = tuple(
        drag + added_drag_pa_s_m if row in (None, n) else drag
        for n, drag in enumerate(state.residual_drag_pa_s_m)
    )
    return replace(state, residual_drag_pa_s_m=residuals)


def torn(state: State, row: int, hole_m2: float) -> State:
    """The state with a hole of this area, m2, past the media of `row` (from 0); 0 mends it."""
    holes = tuple(hole_m2 if n == row else hole for n, hole in enumerate(state.hole_m2))
    return replace(state, hole_m2=holes)


def filters_changed(plant: Plant, state: State) -> State:
    """The state with new, clean filters in every row; the old cake leaves with the old set."""
    carried_kg = sum(state.cake_kg_m2) * plant.row_area_m2
    none = (0.0,) * plant.rows
    return replace(
        state,
        residual_drag_pa_s_m=(plant.media.start_drag_pa_s_m,) * plant.rows,
        cake_kg_m2=none,
        caught_kg_m2=none,
        hole_m2=none,
        dust_off_kg=state.dust_off_kg + carried_kg,
    )


def drum_emptied(state: State) -> State:
    """The state with an empty drum."""
    return replace(state, drum_kg=0.0)


def header_vented(state: State, gauge_pa: float) -> State:
    """The state with the header let down at once to this gauge pressure, Pa, if it is above.

    Its temperature stays, and what is let off counts as leaked.
    """
    part = (state.ambient_pa + gauge_pa) / state.header_pa
    if part >= 1.0:
        return state
    return replace(
        state,
        header_pa=state.header_pa * part,
        header_kg=state.header_kg * part,
        air_leaked_kg=state.air_leaked_kg + state.header_kg * (1.0 - part),
    )
