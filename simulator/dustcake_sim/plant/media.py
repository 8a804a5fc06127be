"""Filter media and the dust cake on it: drag, and what a pulse takes off."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Media:
    """One kind of filter media.

    Linear drag S = S_e + K2 W, the usual model once the first cake has formed (EPA Air Pollution
    Control Cost Manual, section 6 chapter 1, 1998; from memory).
    """

    residual_drag_pa_s_m: float
    """S_e of new, seasoned media, Pa s/m."""
    cake_resistance_per_s: float
    """K2, specific resistance of the cake, (Pa s/m) per (kg/m2) = 1/s."""
    removed_per_pulse: float
    """Share of the cake that one good pulse removes, at `reference_gauge_pa`; 0 to 1."""
    reference_gauge_pa: float
    """Header gauge pressure, Pa, from which a pulse is as good as it gets."""


def drag_pa_s_m(media: Media, residual_drag_pa_s_m: float, cake_kg_m2: float) -> float:
    """Drag, Pa s/m, of media with this residual drag under this much cake (kg/m2)."""
    return residual_drag_pa_s_m + media.cake_resistance_per_s * cake_kg_m2


def removed_share(media: Media, header_gauge_pa: float) -> float:
    """Share of the cake removed by a pulse at this header gauge pressure (Pa); 0 to 1.

    Proportional to the cleaning pressure, as Leith and Ellenbecker found (Atmospheric Environment
    14, 1980; abstract), and level above the reference, where more pressure mostly wastes air.
    """
    strength = min(max(header_gauge_pa / media.reference_gauge_pa, 0.0), 1.0)
    return media.removed_per_pulse * strength


def cake_after_pulse(cake_kg_m2: float, share: float) -> float:
    """Cake, kg/m2, left by a pulse that removes this share: W+ = (1 - eps) W-."""
    return (1.0 - share) * cake_kg_m2
