"""Rules for the upkeep of one collector."""

from collections.abc import Iterator

from dustcake.core.setpoints import OutputKind
from dustcake.settings.checks.ref import ref
from dustcake.settings.collector import Collector
from dustcake.settings.errors import Problem

_INTERVALS = ("every_run_h", "every_pulses", "every_days")


def upkeep_problems(collector: Collector, path: str) -> Iterator[Problem]:
    """Upkeep of the same name, or that would never be due."""
    taken: set[str] = set()
    for upkeep in collector.upkeep:
        at = f"{path}.upkeep[{upkeep.name}]"
        if upkeep.name in taken:
            remedy = "give each upkeep a name of its own, or leave one out"
            yield ref(upkeep, at, "name").problem("a name no other upkeep has", remedy)
        taken.add(upkeep.name)
        given = [name for name in _INTERVALS if getattr(upkeep, name) is not None]
        if not given:
            remedy = "say when it is due, or leave it out"
            yield Problem(at, "no interval", f"one or more of {', '.join(_INTERVALS)}", remedy)
        if given == ["every_pulses"] and collector.outputs.kind is OutputKind.DEMAND_CONTACT:
            remedy = "use every_run_h or every_days: a sequencer board reports no pulses"
            allowed = "another interval, where a sequencer board pulses"
            yield ref(upkeep, at, "every_pulses").problem(allowed, remedy)
