"""Filter media and the dust cake on it: drag, seasoning, blinding."""

from __future__ import annotations

import math

from dustcake_sim.plant.record import record


@record
class Media:
    """One kind of filter media with one kind of dust on it.

    Linear drag S = S_e + K2 W, the usual model once the first cake has formed (EPA Air Pollution
    Control Cost Manual, section 6 chapter 1, 1998; from memory). What is beyond that model is off
    by default.
    """

    residual_drag_pa_s_m: float
    """S_e of seasoned media, Pa s/m."""
    cake_resistance_per_s: float
    """K2, specific resistance of the cake, (Pa s/m) per (kg/m2) = 1/s."""
    removed_per_pulse: float
    """Share of the cake that one good pulse removes, at `reference_gauge_pa`; 0 to 1."""
    reference_gauge_pa: float
    """Header gauge pressure, Pa, from which a pulse is as good as it gets."""
    new_drag_pa_s_m: float | None = None
    """Drag of media no dust has been on, Pa s/m; None: seasoned from the start."""
    seasoning_kg_m2: float = 0.01
    """Dust caught until 63 % of the way from new to seasoned drag is done, kg/m2."""
    blinding_per_s: float = 0.0
    """What each kg/m2 of dust ever caught adds to the residual drag, 1/s like K2."""
    compression_s_m: float = 0.0
    """By how much K2 rises with face velocity V, s/m: K2 (1 + compression V). Specific resistance
    of a limestone cake rises linearly with V (Saleem, Krammer, Tahir, Powder Technology 228, 2012;
    abstract)."""
    half_load_kg_m2: float = 0.0
    """Cake of which a pulse removes only half its usual share, kg/m2: a thin cake clings."""
    pulse_pressure_pa: float | None = None
    """Pressure, Pa, that a good pulse builds up inside the filter. It has to overcome the dP of
    the air drawn through; None: it always does."""
    full_pulse_s: float = 0.0
    """Time, s, a valve must be open for the full effect. Peak pressure inside a pleated filter
    levelled off near 0.12 s in a laboratory (Atmosphere 14, 1173, 2023; excerpt)."""
    held_back: float = 0.0
    """Share of its air that a row does not take while a pulse blows against it."""

    @property
    def start_drag_pa_s_m(self) -> float:
        """Drag of a new filter, Pa s/m."""
        return self.residual_drag_pa_s_m if self.new_drag_pa_s_m is None else self.new_drag_pa_s_m


def drag_pa_s_m(media: Media, residual_drag_pa_s_m: float, cake_kg_m2: float) -> float:
    """Drag, Pa s/m, of media with this residual drag under this much cake (kg/m2)."""
    return residual_drag_pa_s_m + media.cake_resistance_per_s * cake_kg_m2


def lasting_drag_pa_s_m(
    media: Media, caught_before_kg_m2: float, caught_after_kg_m2: float, stickiness: float
) -> float:
    """Residual drag, Pa s/m, added by the dust caught between two loads ever caught (kg/m2).

    Seasoning, which ends, and blinding, which does not and grows with `stickiness` (1 = dry).
    """
    caught = caught_after_kg_m2 - caught_before_kg_m2
    added = media.blinding_per_s * stickiness * caught
    if media.new_drag_pa_s_m is not None:
        to_go = media.residual_drag_pa_s_m - media.new_drag_pa_s_m
        added += to_go * (
            math.exp(-caught_before_kg_m2 / media.seasoning_kg_m2)
            - math.exp(-caught_after_kg_m2 / media.seasoning_kg_m2)
        )
    return added
