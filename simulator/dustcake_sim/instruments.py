"""Transmitters and the sensing lines before them: a true value in, a measured one out.

The measured value is damped (first order), then carries noise and zero error, then is rounded to
the instrument's resolution. All randomness comes from the `random.Random` handed in, so the same
seed gives the same readings.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from enum import Enum

from dustcake_sim.plant.state import OperatingPoint


class SensingLine(Enum):
    """What the two tubes between collector and dP transmitter are doing."""

    CLEAR = "clear"
    PLUGGED = "plugged"
    HIGH_OPEN = "high_open"
    LOW_OPEN = "low_open"
    BOTH_OPEN = "both_open"
    SWAPPED = "swapped"


class TransmitterFault(Enum):
    """How a transmitter itself can fail."""

    NONE = "none"
    NAN = "nan"
    CURRENT = "current"
    FROZEN = "frozen"


PLUGGED_LINE_S = 900.0
"""Time constant, s, with which pressure creeps through a nearly plugged line."""


def sensed_dp_pa(line: SensingLine, point: OperatingPoint) -> float:
    """The dP, Pa, that reaches the transmitter's ports (high port on the dirty side)."""
    dirty, clean = point.dirty_side_gauge_pa, point.clean_side_gauge_pa
    match line:
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


@dataclass(frozen=True, slots=True)
class TransmitterSpec:
    """A transmitter as bought. All in the unit of what it measures, but `damping_s`."""

    span_low: float
    """Value at 4 mA."""
    span_high: float
    """Value at 20 mA."""
    damping_s: float
    """Time constant, s; 0 follows at once."""
    noise: float
    """Standard deviation of what damping leaves of the noise."""
    resolution: float
    """Step of the measured value; 0 for none."""


class Transmitter:
    """One transmitter: `update` it with the true value, read `value` and `forced_current_ma`."""

    def __init__(self, spec: TransmitterSpec, rng: random.Random, start: float) -> None:
        """Begin settled on the true value `start`."""
        self.spec = spec
        self.fault = TransmitterFault.NONE
        self.zero_error = 0.0
        self.forced_current_ma: float | None = None
        """Loop current, mA, that a broken loop shows whatever is measured."""
        self._rng = rng
        self._damped = start
        self._measured = start

    @property
    def value(self) -> float:
        """The measured value; NaN when the transmitter knows its sensor has failed."""
        return math.nan if self.fault is TransmitterFault.NAN else self._measured

    def fail(self, fault: TransmitterFault, current_ma: float | None = None) -> None:
        """Put the transmitter into this fault; `current_ma` belongs to `CURRENT` alone.

        Raises ValueError when a current is missing or given where it means nothing.
        """
        if (fault is TransmitterFault.CURRENT) != (current_ma is not None):
            raise ValueError("current_ma goes with the fault 'current', and only with it")
        self.fault = fault
        self.forced_current_ma = current_ma

    def update(self, true_value: float, dt_s: float, *, plugged: bool = False) -> None:
        """Take in the true value as it has been for the last `dt_s` seconds."""
        time_constant_s = PLUGGED_LINE_S if plugged else self.spec.damping_s
        share = 1.0 if time_constant_s <= 0.0 else -math.expm1(-dt_s / time_constant_s)
        self._damped += share * (true_value - self._damped)
        # Drawn even while frozen, so that a fault does not shift every later reading of the run.
        noise = self._rng.gauss(0.0, self.spec.noise)
        if self.fault is TransmitterFault.FROZEN:
            return
        raw = self._damped + noise + self.zero_error
        step = self.spec.resolution
        self._measured = round(raw / step) * step if step > 0.0 else raw
