"""What the report says, before it is put into a form."""

import json
from typing import Any

from dustcake.commissioning.parts import StepState, state_of
from dustcake.commissioning.record import Entry, Record, is_as_signed
from dustcake.commissioning.seen import Site
from dustcake.commissioning.steps import SIGN, all_steps
from dustcake.core.record import record
from dustcake.publish.wording import header_unit
from dustcake.units import show, show_with_pa

_UNITS = {"_percent": " %", "_s": " s", "_a": " A"}

STATES = {
    StepState.OPEN: "not done",
    StepState.UNDER_WAY: "not finished",
    StepState.FAILED: "failed",
    StepState.PASSED: "passed",
    StepState.SKIPPED: "left out",
}


@record
class Line:
    """One entry: when, by whom, what came of it, and the values behind it, named with units."""

    utc: str
    by: str
    result: str
    words: str
    values: tuple[tuple[str, str], ...]
    settings: str


@record
class Chapter:
    """One step."""

    title: str
    state: str
    checks: str
    lines: tuple[Line, ...]


@record
class Report:
    """The whole. ``facts``: what stands at its head, ``signature``: what stands at its end."""

    title: str
    facts: tuple[tuple[str, str], ...]
    chapters: tuple[Chapter, ...]
    signature: tuple[tuple[str, str], ...]
    is_signed: bool


def report(site: Site, one: Record) -> Report:
    """The report of this record."""
    steps = [step for step in all_steps(site) if step.name != SIGN]
    chapters = tuple(
        Chapter(
            step.title,
            STATES[state_of(step, one)],
            step.checks,
            tuple(_line(site, entry) for entry in one.of(step.name)),
        )
        for step in steps
    )
    facts = (
        ("Collector", one.collector),
        ("Site", one.site),
        ("Begun", f"{one.begun_utc or 'time not known'} by {one.begun_by}"),
        ("Span of the dP transmitter", " to ".join(str(end) for end in _span(site))),
        ("Steps", _summary(chapters)),
    )
    return Report(
        f"Commissioning of {one.collector}", facts, chapters, _signature(one), is_as_signed(one)
    )


def _span(site: Site) -> tuple[object, object]:
    return site.collector.transmitter.span


def _summary(chapters: tuple[Chapter, ...]) -> str:
    counts = {name: sum(one.state == name for one in chapters) for name in STATES.values()}
    return ", ".join(f"{count} {name}" for name, count in counts.items() if count)


def _line(site: Site, entry: Entry) -> Line:
    values = {**entry.fields, **entry.values}
    apart = ("settings", "candidates", "registers", "changes", "rule")
    return Line(
        entry.utc or "time not known",
        entry.by,
        entry.result.value,
        entry.words,
        tuple(
            (_label(name), _shown(site, name, value))
            for name, value in values.items()
            if name not in apart and value not in (None, [], True)
        ),
        str(entry.values.get("settings", "")),
    )


def _label(name: str) -> str:
    """A value's name without its unit, which stands with the value."""
    for ending in ("_pa", "_percent", "_s", "_a"):
        name = name.removesuffix(ending)
    return name.replace("_", " ")


def _shown(site: Site, name: str, value: Any) -> str:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if number and (name == "manometer" or (name.endswith("_pa") and "header" not in name)):
        return show_with_pa(value, site.unit)
    if number and name.endswith("_pa"):
        return show(value, header_unit(site.unit))
    if number:
        unit = next((u for ending, u in _UNITS.items() if name.endswith(ending)), "")
        return f"{value:g}{unit}"
    if isinstance(value, list):
        return "; ".join(map(str, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else json.dumps(value)


def _signature(one: Record) -> tuple[tuple[str, str], ...]:
    signature = one.signature
    if signature is None:
        return (("Signed", "not yet"),)
    matches = "fits the record" if is_as_signed(one) else "DOES NOT FIT: changed after signing"
    return (
        ("Signed", signature.name),
        ("User", signature.by),
        ("At", signature.utc or "time not known"),
        ("SHA-256 of the record", f"{signature.sha256} ({matches})"),
        ("What it is", "a typed name, a time and a digest; no legal statement is made by it"),
    )
