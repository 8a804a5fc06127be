"""How many examples each test here tries.

In the ordinary run the same ones each time. ``DUSTCAKE_FUZZ=50`` tries fifty times as many, and
others each time; what fails is then made as small as it can be.
"""

import os
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, settings

TIMES = int(os.environ.get("DUSTCAKE_FUZZ", "1"))


def examples(count: int) -> Callable[[Any], Any]:
    """Decorate a test to try ``count`` examples, or as many times that as the environment says."""
    phases = [Phase.explicit, Phase.generate]
    return settings(
        max_examples=count * TIMES,
        derandomize=TIMES == 1,
        phases=phases if TIMES == 1 else [*phases, Phase.shrink],
        database=None,
        print_blob=True,
        suppress_health_check=list(HealthCheck),
    )
