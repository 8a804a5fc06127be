"""Blower speed: first-order spin-up and spin-down."""

from __future__ import annotations

import math

from dustcake_sim.plant.record import record

_SETTLED = 1e-4  # closer to the target than this, the blower is there: dP at rest is exactly zero


@record
class Blower:
    """How quickly the blower follows its starter."""

    spin_up_s: float
    """Time constant after a start, s: 63.2 % of the change is done."""
    spin_down_s: float
    """Time constant after a stop, s."""


def speed_after(blower: Blower, speed: float, running: bool, dt_s: float) -> float:
    """Speed (1 = rated) after `dt_s` seconds with the starter closed (`running`) or open."""
    target = 1.0 if running else 0.0
    time_constant_s = blower.spin_up_s if running else blower.spin_down_s
    if time_constant_s <= 0.0:
        return target
    new = target + (speed - target) * math.exp(-dt_s / time_constant_s)
    return target if abs(new - target) < _SETTLED else new
