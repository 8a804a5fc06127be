"""What the command line and the panel show of a commissioning: the same, as JSON."""

from dataclasses import asdict
from typing import Any

from dustcake.commissioning.observation import Equipment, Snapshot
from dustcake.commissioning.procedure import (
    Action,
    ProcedureStep,
    Steps,
    blocked_by,
    current,
    state_of,
)
from dustcake.commissioning.record import Record, RecordedAction, is_as_signed
from dustcake.commissioning.steps import SIGN
from dustcake.publish.wording import header_unit, sentence
from dustcake.units import show

Content = dict[str, Any]


def view(
    equipment: Equipment, steps: Steps, history: Record | None, now: Snapshot | None
) -> Content:
    """All steps with what is on record of them, where it goes on, and what is read now."""
    return {
        "collector": equipment.collector.name,
        "record": None if history is None else _record(history),
        "steps": [] if history is None else [_step(steps, step, history) for step in steps],
        "current": _current(steps, history),
        "live": None if now is None else _live(equipment, now),
    }


def _record(history: Record) -> Content:
    signature = history.signature
    return {
        "begun": history.begun_utc,
        "begun_by": history.begun_by,
        "entries": len(history.entries),
        "signature": None
        if signature is None
        else {**asdict(signature), "matches": is_as_signed(history)},
    }


def _current(steps: Steps, history: Record | None) -> str | None:
    if history is None or history.signature is not None:
        return None
    return (current(steps, history) or SIGN).name


def _step(steps: Steps, step: ProcedureStep, history: Record) -> Content:
    first = blocked_by(steps, history, step.name)
    return {
        "step": step.name,
        "title": step.title,
        "state": state_of(step, history).value,
        "checks": step.checks,
        "cautions": list(step.cautions),
        "waits_for": None if first is None else first.name,
        "actions": [_action(action) for action in step.actions],
        "entries": [_entry(history, entry) for entry in history.of(step.name)],
    }


def _action(action: Action) -> Content:
    return {
        "action": action.name,
        "title": action.title,
        "aside": action.secondary,
        "asks": [asdict(question) for question in action.questions],
    }


def _entry(history: Record, entry: RecordedAction) -> Content:
    values = entry.values
    # Nobody chooses from an old scan any more.
    is_newest = entry is history.last(entry.step, entry.action)
    return {
        **{name: getattr(entry, name) for name in _SHOWN},
        "settings": values.get("settings"),
        "cautions": values.get("cautions", []),
        "candidates": values.get("candidates", []) if is_newest else [],
        "values": {name: value for name, value in values.items() if name not in _SHOWN_APART},
    }


_SHOWN = ("action", "item", "result", "words", "by", "utc")
_SHOWN_APART = ("settings", "cautions", "candidates", "registers", "changes")


def _live(equipment: Equipment, now: Snapshot) -> Content:
    unit = equipment.unit
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
