"""What the command line and the panel show of a commissioning: the same, as JSON."""

from collections.abc import Mapping
from typing import Any

from dustcake.commissioning.parts import Action, Ask, Step, state_of
from dustcake.commissioning.record import Entry, Record, is_as_signed
from dustcake.commissioning.seen import Seen, Site
from dustcake.commissioning.steps import SIGN, barred, current
from dustcake.publish.wording import header_unit, sentence
from dustcake.units import show

Content = dict[str, Any]
Steps = tuple[Step, ...]


def view(site: Site, steps: Steps, one: Record | None, now: Seen | None) -> Content:
    """All steps with what is on record of them, where it goes on, and what is read now."""
    return {
        "collector": site.collector.name,
        "record": None if one is None else _record(one),
        "steps": [] if one is None else [_step(steps, step, one) for step in steps],
        "current": _current(steps, one),
        "live": None if now is None else _live(site, now),
    }


def _record(one: Record) -> Content:
    signature = one.signature
    return {
        "begun": one.begun_utc,
        "begun_by": one.begun_by,
        "entries": len(one.entries),
        "signature": None
        if signature is None
        else {
            "name": signature.name,
            "by": signature.by,
            "utc": signature.utc,
            "sha256": signature.sha256,
            "matches": is_as_signed(one),
        },
    }


def _current(steps: Steps, one: Record | None) -> str | None:
    if one is None or one.signature is not None:
        return None
    step = current(steps, one)
    return SIGN if step is None else step.name


def _step(steps: Steps, step: Step, one: Record) -> Content:
    first = barred(steps, one, step.name)
    return {
        "step": step.name,
        "title": step.title,
        "state": state_of(step, one).value,
        "checks": step.checks,
        "cautions": list(step.cautions),
        "waits_for": None if first is None else first.name,
        "actions": [_action(action) for action in step.actions],
        "entries": [_entry(one, entry) for entry in one.of(step.name)],
    }


def _action(action: Action) -> Content:
    return {
        "action": action.name,
        "title": action.title,
        "aside": action.aside,
        "asks": [_ask(ask) for ask in action.asks],
    }


def _ask(ask: Ask) -> Content:
    return {
        "name": ask.name,
        "label": ask.label,
        "form": ask.form.value,
        "required": ask.required,
        "default": ask.default,
        "choices": list(ask.choices),
        "low": ask.low,
        "high": ask.high,
    }


def _entry(one: Record, entry: Entry) -> Content:
    values: Mapping[str, Any] = entry.values
    # Of a scan long ago nobody chooses any more.
    is_newest = entry is one.last(entry.step, entry.action)
    return {
        "action": entry.action,
        "item": entry.item,
        "result": entry.result.value,
        "words": entry.words,
        "by": entry.by,
        "utc": entry.utc,
        "settings": values.get("settings"),
        "cautions": values.get("cautions", []),
        "candidates": values.get("candidates", []) if is_newest else [],
        "values": {name: value for name, value in values.items() if name not in _APART},
    }


_APART = ("settings", "cautions", "candidates", "registers", "changes")


def _live(site: Site, now: Seen) -> Content:
    unit = site.unit
    return {
        "dp": None if now.dp_pa is None else show(now.dp_pa, unit),
        "quality": now.quality,
        "header": None if now.header_pa is None else show(now.header_pa, header_unit(unit)),
        "blower_running": now.blower_running,
        "mode": now.mode,
        "pulses": list(now.pulses),
        "missing": [
            {"name": one.name, "reason": "" if one.reason is None else sentence(one.reason, unit)}
            for one in now.missing
        ],
    }
