"""Transmitters: a true value in, a measured one out.

The measured value is damped (first order), then carries the errors of zero and span that age and
drift have left, and noise, then is rounded to the instrument's resolution. Noise is cut off at
`NOISE_REACH` standard deviations, as that of a real instrument is somewhere, so that it is certain
how far a reading can be from the value behind it.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from enum import Enum

NOISE_REACH = 4.0


class TransmitterFault(Enum):
    """How a transmitter itself, or its 4-20 mA loop, can fail."""

    NONE = "none"
    NAN = "nan"
    FROZEN = "frozen"
    CURRENT = "current"
    """The loop shows one current whatever is measured: broken (0 mA), shorted, or set to alarm."""
    STARVED = "starved"
    """Too little supply voltage for the loop's resistance: no more than this current flows."""
    LEAKING = "leaking"
    """Wet terminals: this much of the current takes another way and is not measured."""


_WITH_CURRENT = (TransmitterFault.CURRENT, TransmitterFault.STARVED, TransmitterFault.LEAKING)


def cut(deviation: float) -> float:
    """Noise, in standard deviations, as far as an instrument lets it through."""
    return min(max(deviation, -NOISE_REACH), NOISE_REACH)


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
    """One transmitter. Read `value` and `loop_current_ma`.

    `update` takes it along in short steps, `follow` and `sample` in steps of any length.
    """

    def __init__(self, spec: TransmitterSpec, rng: random.Random, start: float) -> None:
        """Begin settled on the true value `start`."""
        self.spec = spec
        self.fault = TransmitterFault.NONE
        self.zero_error = 0.0
        self.span_error = 0.0
        """What is wrong with the span, as a share of the reading."""
        self._fault_ma: float | None = None
        self._rng = rng
        self._true = start
        self._damped = start
        self._measured = start

    @property
    def value(self) -> float:
        """The measured value; NaN when the transmitter knows its sensor has failed."""
        return math.nan if self.fault is TransmitterFault.NAN else self._measured

    @property
    def forced_current_ma(self) -> float | None:
        """Loop current, mA, where the loop is at fault; None where it follows `value`."""
        if self._fault_ma is None:
            return None
        if self.fault is TransmitterFault.CURRENT:
            return self._fault_ma
        spec = self.spec
        share = (self._measured - spec.span_low) / (spec.span_high - spec.span_low)
        honest_ma = min(max(4.0 + 16.0 * share, 3.8), 20.5)
        if self.fault is TransmitterFault.STARVED:
            return min(honest_ma, self._fault_ma)
        return max(honest_ma - self._fault_ma, 0.0)

    def fail(self, fault: TransmitterFault, current_ma: float | None = None) -> None:
        """Put the transmitter into this fault; `current_ma` belongs to the faults of the loop.

        Raises ValueError when a current is missing or given where it means nothing.
        """
        if (fault in _WITH_CURRENT) != (current_ma is not None):
            names = ", ".join(f"'{each.value}'" for each in _WITH_CURRENT)
            raise ValueError(f"current_ma goes with the faults {names}, and only with them")
        self.fault = fault
        self._fault_ma = current_ma

    def update(self, true_value: float, dt_s: float, *, lag_s: float | None = None) -> None:
        """Take in the true value as it has been for the last `dt_s` seconds.

        `lag_s`: time constant of all that is between, in place of the transmitter's damping.
        """
        time_constant_s = self.spec.damping_s if lag_s is None else lag_s
        share = 1.0 if time_constant_s <= 0.0 else -math.expm1(-dt_s / time_constant_s)
        self._damped += share * (true_value - self._damped)
        self._true = true_value
        # Drawn even while frozen, so that a fault does not shift every later reading of the run.
        self.sample(self._rng.gauss(0.0, 1.0))

    def follow(self, true_value: float, dt_s: float, *, lag_s: float | None = None) -> None:
        """The true value has gone evenly to this one within `dt_s` seconds: exact for a ramp."""
        time_constant_s = self.spec.damping_s if lag_s is None else lag_s
        if time_constant_s <= 0.0 or dt_s <= 0.0:
            self._damped = true_value if time_constant_s <= 0.0 else self._damped
        else:
            behind = (true_value - self._true) / dt_s * time_constant_s
            start = self._damped - self._true + behind
            self._damped = true_value - behind + start * math.exp(-dt_s / time_constant_s)
        self._true = true_value

    def jump(self, true_value: float) -> None:
        """The true value has become this one in no time; damping has yet to follow."""
        self._true = true_value

    def sample(self, deviation: float) -> float:
        """Measure, with a noise of this many standard deviations; the measured value."""
        if self.fault is not TransmitterFault.FROZEN:
            raw = self.before_noise(self._damped) + self.spec.noise * cut(deviation)
            step = self.spec.resolution
            self._measured = round(raw / step) * step if step > 0.0 else raw
        return self.value

    def before_noise(self, damped: float) -> float:
        """What it reads, but for noise and rounding, where damping has come to this value."""
        return damped * (1.0 + self.span_error) + self.zero_error

    @property
    def true(self) -> float:
        """The true value last taken in."""
        return self._true

    def saved(self) -> tuple[float, float, float, float]:
        """What moving along changes, for `restore`."""
        return self._true, self._damped, self.zero_error, self.span_error

    def restore(self, saved: tuple[float, float, float, float]) -> None:
        """Be as when this was saved."""
        self._true, self._damped, self.zero_error, self.span_error = saved

    @property
    def damped(self) -> float:
        """What damping has come to."""
        return self._damped

    @property
    def reach(self) -> float:
        """Furthest that noise and rounding can take a reading from `before_noise`."""
        return NOISE_REACH * self.spec.noise + self.spec.resolution / 2.0
