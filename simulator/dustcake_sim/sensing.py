"""The sensing lines: two tubes between the collector and its dP transmitter, and their faults."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from dustcake_sim.plant.state import OperatingPoint

PLUGGED_LINE_S = 900.0
"""Time constant, s, with which pressure creeps through a nearly plugged line (no source)."""
WET_LINE_S = 20.0
"""Time constant, s, with which pressure moves a slug of water (no source)."""
_ABOUT = 0.02  # of a time constant: the error of taking its middle goes with the square


class SensingLine(Enum):
    """What the two tubes between collector and dP transmitter are doing."""

    CLEAR = "clear"
    PLUGGED = "plugged"
    HIGH_OPEN = "high_open"
    LOW_OPEN = "low_open"
    BOTH_OPEN = "both_open"
    SWAPPED = "swapped"
    HIGH_LEAKING = "high_leaking"
    LOW_LEAKING = "low_leaking"
    WET = "wet"


@dataclass(frozen=True, slots=True)
class Sensing:
    """The lines as they are since `since_s` (scenario seconds)."""

    line: SensingLine = SensingLine.CLEAR
    since_s: float = 0.0
    over_s: float = 0.0
    """Time over which a plug closes, s; 0: plugged at once."""
    share: float = 0.0
    """Part of its side's pressure that a leaking line loses to the room, 0 to 1."""
    column_pa: float = 0.0
    """What the water standing in a wet line adds to dP, Pa; negative where it takes away."""

    def dp_pa(self, point: OperatingPoint) -> float:
        """The dP, Pa, that the lines bring to the transmitter's ports, after any time they take.

        High port on the dirty side, low port on the clean side, the room at 0.
        """
        dirty, clean = point.dirty_side_gauge_pa, point.clean_side_gauge_pa
        match self.line:
            case SensingLine.CLEAR | SensingLine.PLUGGED:
                return dirty - clean
            case SensingLine.HIGH_OPEN:
                return -clean
            case SensingLine.LOW_OPEN:
                return dirty
            case SensingLine.BOTH_OPEN:
                return 0.0
            case SensingLine.SWAPPED:
                return clean - dirty
            case SensingLine.HIGH_LEAKING:
                return dirty * (1.0 - self.share) - clean
            case SensingLine.LOW_LEAKING:
                return dirty - clean * (1.0 - self.share)
            case SensingLine.WET:
                return dirty - clean + self.column_pa

    def lag_s(self, scenario_s: float, damping_s: float) -> float:
        """Time constant, s, of lines and transmitter together at this time.

        A plug closes bit by bit: the time constant grows by the same factor in equal times.
        """
        if self.line is SensingLine.WET:
            return max(WET_LINE_S, damping_s)
        if self.line is not SensingLine.PLUGGED:
            return damping_s
        closed = 1.0
        if self.over_s > 0.0:
            closed = min(1.0, max(0.0, scenario_s - self.since_s) / self.over_s)
        return float(_open_s(damping_s) * _closing(damping_s) ** closed)

    def even_for_s(self, scenario_s: float, damping_s: float) -> float:
        """For how long, s, the time constant stays about what it is in the middle of that time."""
        if self.line is not SensingLine.PLUGGED or scenario_s >= self.since_s + self.over_s:
            return math.inf
        return _ABOUT * self.over_s / math.log(_closing(damping_s))


def _open_s(damping_s: float) -> float:
    return max(damping_s, 0.1)


def _closing(damping_s: float) -> float:
    """Factor by which a plug lengthens the time constant in all."""
    return max(PLUGGED_LINE_S / _open_s(damping_s), 1.0 + _ABOUT)
