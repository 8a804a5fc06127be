"""Two quantities that drive each other, in steps that their own error chooses.

The pair of fifth and fourth order of Dormand and Prince (Journal of Computational and Applied
Mathematics 6, 1980; coefficients as in scipy 1.17).
"""

from __future__ import annotations

from collections.abc import Callable
from operator import mul

Three = tuple[float, float, float]
Rates = Callable[[float, float], Three]

_STAGES = (
    (1 / 5,),
    (3 / 40, 9 / 40),
    (44 / 45, -56 / 15, 32 / 9),
    (19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729),
    (9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656),
    (35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84),
)
_ERROR = (71 / 57600, 0.0, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40)
_FIRST_S = 0.05
_SAFE, _LEAST, _MOST = 0.9, 0.2, 5.0
_SHORTEST_S = 1e-7


def integrated(rates: Rates, first: float, second: float, span_s: float, tolerance: float) -> Three:
    """Both quantities after `span_s`, and how much of a third they have let through.

    `rates`: how fast the three change, per second, given the two. `tolerance`: error of a step,
    allowed in each. Once both stand still to within it, what is left is one step.
    """
    through, left_s, step_s = 0.0, span_s, _FIRST_S
    slope = rates(first, second)
    while True:
        if max(abs(slope[0]), abs(slope[1])) * left_s <= tolerance:
            return (
                first + slope[0] * left_s,
                second + slope[1] * left_s,
                through + slope[2] * left_s,
            )
        step_s = min(step_s, left_s)
        firsts, seconds, thirds = [slope[0]], [slope[1]], [slope[2]]
        tried_first, tried_second, stage = first, second, slope
        for weights in _STAGES:
            tried_first = first + step_s * sum(map(mul, weights, firsts))
            tried_second = second + step_s * sum(map(mul, weights, seconds))
            stage = rates(tried_first, tried_second)
            firsts.append(stage[0])
            seconds.append(stage[1])
            thirds.append(stage[2])
        error = step_s * max(
            abs(sum(map(mul, _ERROR, firsts))),
            abs(sum(map(mul, _ERROR, seconds))),
            abs(sum(map(mul, _ERROR, thirds))),
        )
        grow = _MOST if error == 0.0 else min(_MOST, _SAFE * (tolerance / error) ** 0.2)
        if error <= tolerance or step_s <= _SHORTEST_S:
            through += step_s * sum(map(mul, _STAGES[-1], thirds))
            first, second, slope, left_s = tried_first, tried_second, stage, left_s - step_s
            if left_s <= 0.0:
                return first, second, through
        step_s *= max(_LEAST, grow)
