"""Rows of filters side by side: one dP across all, each row with its own drag."""

from __future__ import annotations

import math
from collections.abc import Sequence


def effective_drag_pa_s_m(drags_pa_s_m: Sequence[float]) -> float:
    """Drag, Pa s/m, of equal-area rows taken together: the harmonic mean.

    The clean rows take most of the air, so this is never above the arithmetic mean.
    """
    return len(drags_pa_s_m) / sum(1.0 / drag for drag in drags_pa_s_m)


def face_velocities_m_s(dp_pa: float, drags_pa_s_m: Sequence[float]) -> tuple[float, ...]:
    """Face velocity, m/s, through each row: V_i = dP / S_i (Darcy)."""
    return tuple(dp_pa / drag for drag in drags_pa_s_m)


def compressed_velocity_m_s(dp_pa: float, drag_pa_s_m: float, stiffening_pa_s2_m2: float) -> float:
    """Face velocity, m/s, through a row whose drag is S + stiffening V.

    The positive root of stiffening V^2 + S V - dP = 0, in the form that holds for no stiffening.
    """
    root = math.sqrt(drag_pa_s_m * drag_pa_s_m + 4.0 * stiffening_pa_s2_m2 * dp_pa)
    return 2.0 * dp_pa / (drag_pa_s_m + root)
