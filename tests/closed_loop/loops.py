"""Closed loops for tests: a packaged scenario with the settings it names, and variations."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

from dustcake.core.events import AlarmChanged, Event
from dustcake.core.setpoints import Setpoints
from dustcake.settings.load import load_settings
from dustcake.settings.setpoints import to_setpoints
from dustcake_loop.closed_loop import ClosedLoop
from dustcake_sim.scenario import Scenario, load_scenario, packaged_scenarios, parse_scenario

DAY_S, HOUR_S = 86_400.0, 3600.0


def setpoints(scenario: Scenario, **changes: Any) -> Setpoints:
    """The set points that the scenario names; a mapping changes fields within a section."""
    assert scenario.settings is not None
    with resources.as_file(resources.files("dustcake_sim") / "scenarios") as folder:
        chosen = to_setpoints(load_settings(Path(folder) / scenario.settings).collectors[0])
    return replace(
        chosen,
        **{
            name: replace(getattr(chosen, name), **value) if isinstance(value, dict) else value
            for name, value in changes.items()
        },
    )


def varied(name: str, **changes: Any) -> Scenario:
    """A packaged scenario with top-level tables changed."""
    text = packaged_scenarios()[name].read_text(encoding="utf-8")
    return parse_scenario(tomllib.loads(text) | changes, name)


def closed_loop(
    name: str | Scenario, *, changes: dict[str, Any] | None = None, **how: Any
) -> ClosedLoop:
    """The loop of a scenario with its own settings, with ``changes``."""
    scenario = load_scenario(name) if isinstance(name, str) else name
    return ClosedLoop(scenario, setpoints(scenario, **(changes or {})), **how)


def comparable(events: Iterable[Event]) -> list[tuple[float, str, object]]:
    """Events as comparable rows: when, what, and the numbers that matter."""
    return [
        (round(each.at.mono_s, 3), each.body.name, getattr(each.body, "valve", None))
        for each in events
    ]


def raised(events: Iterable[Event]) -> dict[str, float]:
    """When each alarm was raised first, in hours."""
    first: dict[str, float] = {}
    for each in events:
        if isinstance(each.body, AlarmChanged) and each.body.state == "unacknowledged":
            first.setdefault(each.body.alarm, each.at.mono_s / HOUR_S)
    return first
