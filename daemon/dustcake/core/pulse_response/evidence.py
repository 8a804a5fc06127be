"""A sequential test of one question: is the usual effect there, or is there none?

A CUSUM of the log-likelihood ratio of "no effect" to "the usual effect" (Page, Biometrika 41, 1954;
from memory), both normal with the same variance: that of the noise, plus a share of the effect by
which healthy effects scatter. Each term is limited, so that no single pulse decides.
"""

from statistics import median

CERTAIN = 16.0
"""Evidence at which a finding is made: without one, e^16 pulses pass on average (Lorden, Annals of
Mathematical Statistics 42, 1971; from memory)."""
GONE = 2.0
"""Evidence at which it is withdrawn."""
_MOST_A_PULSE = 4.0
_MOST = 24.0
SCATTER = 0.35
"""Standard deviation of a healthy effect, as a share of it."""
LEARNT_AFTER = 8
"""Pulses before what is usual counts as known."""


def after(evidence: float, expected: float, seen: float, noise: float) -> float:
    """Evidence that there is no effect, after one more pulse.

    ``expected``: the usual effect; ``noise``: standard deviation of ``seen`` without any. An effect
    smaller than the noise says nothing.
    """
    if expected < noise:
        return evidence
    variance = noise * noise + (SCATTER * expected) ** 2
    term = expected / variance * (expected / 2 - seen) if variance else 0.0
    return min(max(evidence + min(max(term, -_MOST_A_PULSE), _MOST_A_PULSE), 0.0), _MOST)


def blended(before: float, seen: float, count: int, slowest: float) -> float:
    """A mean that follows: plain over the first values, then forgetting at the rate ``slowest``.

    ``count``: of the values, this one included.
    """
    return before + max(1.0 / count, slowest) * (seen - before)


def typical(values: list[float]) -> float | None:
    """Their median, None without any."""
    return median(values) if values else None
