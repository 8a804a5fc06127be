"""Rules that join several settings, applied once each setting by itself is in order."""

from collections.abc import Iterator

from dustcake.settings.checks.broker import broker_problems, commands_problems
from dustcake.settings.checks.conflicts import conflict_problems
from dustcake.settings.checks.limits import limit_problems
from dustcake.settings.checks.panel import panel_problems
from dustcake.settings.checks.pulses import pulse_problems
from dustcake.settings.checks.requests import request_problems
from dustcake.settings.checks.upkeep import upkeep_problems
from dustcake.settings.checks.wiring import wiring_problems
from dustcake.settings.errors import Labels, Problem
from dustcake.settings.model import Settings


def cross_problems(settings: Settings, labels: Labels) -> Iterator[Problem]:
    """Every problem in ``settings`` that only shows when settings are compared."""
    yield from wiring_problems(settings, labels)
    yield from conflict_problems(settings, labels)
    for index, collector in enumerate(settings.collectors):
        path = f"collector[{labels.of('collector', index)}]"
        yield from limit_problems(collector, path)
        yield from pulse_problems(collector, path, settings.buses)
        yield from upkeep_problems(collector, path)
        yield from request_problems(collector, path)
    if settings.mqtt is not None:
        yield from broker_problems(settings.mqtt, "mqtt")
        yield from commands_problems(settings.mqtt, "mqtt", "requests_enabled")
        yield from commands_problems(settings.mqtt, "mqtt", "requests_adjust")
    if settings.sparkplug is not None:
        yield from broker_problems(settings.sparkplug, "sparkplug")
        yield from commands_problems(settings.sparkplug, "sparkplug", "commands_enabled")
        yield from commands_problems(settings.sparkplug, "sparkplug", "commands_adjust")
    if settings.panel is not None:
        yield from panel_problems(settings.panel)
