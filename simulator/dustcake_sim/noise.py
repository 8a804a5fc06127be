"""Noise that belongs to a sample and not to the order in which samples are taken.

Each sample's deviation follows from seed, channel and number alone, so a run that leaps over
samples nobody needs meets the same noise at those it takes.
"""

from __future__ import annotations

from statistics import NormalDist

_MASK = (1 << 64) - 1
_GOLDEN = 0x9E37_79B9_7F4A_7C15
_STANDARD = NormalDist()


class SampleNoise:
    """Standard normal deviations of one channel's samples."""

    def __init__(self, seed: int, channel: int) -> None:
        self._start = _mixed(seed * 16 + channel)

    def __call__(self, number: int) -> float:
        """The deviation of sample `number`."""
        # 52 bits, and half a step in from both ends: never 0 or 1, where the tail is endless.
        share = ((_mixed(self._start + number) >> 12) + 0.5) * 2.0**-52
        return _STANDARD.inv_cdf(share)


def _mixed(number: int) -> int:
    """A 64-bit word from another, well mixed: the finalizer of splitmix64 (public domain)."""
    word = (number * _GOLDEN + _GOLDEN) & _MASK
    word = ((word ^ (word >> 30)) * 0xBF58_476D_1CE4_E5B9) & _MASK
    word = ((word ^ (word >> 27)) * 0x94D0_49BB_1331_11EB) & _MASK
    return word ^ (word >> 31)
