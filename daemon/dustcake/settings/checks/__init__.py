"""Rules that join several settings, applied once each setting by itself is in order.

Each rule yields a ``Problem``: the setting, its value, what would be allowed, and the remedy, all
in the words of the file.
"""

from collections.abc import Iterator

from dustcake.settings.checks.collector import (
    limit_problems,
    pulse_problems,
    request_problems,
    upkeep_problems,
)
from dustcake.settings.checks.connections import service_problems, wiring_problems
from dustcake.settings.errors import Labels, Problem
from dustcake.settings.model import Settings


def cross_problems(settings: Settings, labels: Labels) -> Iterator[Problem]:
    """Every problem in ``settings`` that only shows when settings are compared."""
    yield from wiring_problems(settings, labels)
    for index, collector in enumerate(settings.collectors):
        path = labels.path(("collector", index))
        yield from limit_problems(collector, path)
        yield from pulse_problems(collector, path, settings.buses)
        yield from upkeep_problems(collector, path)
        yield from request_problems(collector, path)
    yield from service_problems(settings)
