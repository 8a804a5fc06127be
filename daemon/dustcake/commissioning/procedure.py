"""What the procedure is made of: steps, the actions in them, and how far each step is.

An action asks the person some questions, may put requests to the core, and then evaluates what is
observed until there is a result. Command line and panel show the same ``view`` of it, as JSON, and
the daemon carries it out.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from enum import StrEnum
from typing import Any

from dustcake.commissioning.observation import Equipment, Observation, Snapshot
from dustcake.commissioning.questions import Question
from dustcake.commissioning.record import Record, RecordedAction, Result, is_as_signed
from dustcake.core.record import record
from dustcake.publish.wording import header_unit, sentence
from dustcake.units import PressureUnit, show

CoreRequest = dict[str, object]
Content = dict[str, Any]


@record
class ActionResult:
    """What an action came to. ``values``: units in the names."""

    result: Result
    words: str
    values: Content


def passed(words: str, **values: object) -> ActionResult:
    """It is as it should be."""
    return ActionResult(Result.PASSED, words, values)


def failed(words: str, **values: object) -> ActionResult:
    """It is not; ``words`` say what to do."""
    return ActionResult(Result.FAILED, words, values)


def noted(words: str, **values: object) -> ActionResult:
    """It is on record, and decides nothing yet."""
    return ActionResult(Result.NOTED, words, values)


def skipped(words: str) -> ActionResult:
    """It is left out, for the reason given."""
    return ActionResult(Result.SKIPPED, words, {})


Evaluator = Callable[[Observation], ActionResult | None]
"""Called after every reading; None: not yet."""


@record
class Work:
    """What is done about an action. ``refuse``: why it may not be done now, None if it may;
    ``requests``: put to the core first, which may refuse each; ``evaluate`` is called until it has
    a result, unless a scan gives it; ``automatic``: what the daemon finds by itself while the step
    is under way, from the last half minute."""

    evaluate: Evaluator = lambda _: None
    refuse: Callable[[Observation], str | None] = lambda _: None
    requests: Callable[[Observation], tuple[CoreRequest, ...]] = lambda _: ()
    automatic: Evaluator = lambda _: None


@record
class Action:
    """Something done in a step, for ``timeout_s`` at most. ``required``: the step has passed when
    this has, or has been left out with the reason; ``item``: the question that says which of
    several, each of which is required; ``scans``: registers are searched; ``secondary``: not what
    is usually done."""

    name: str
    title: str
    work: Work
    questions: tuple[Question, ...] = ()
    required: bool = False
    timeout_s: float = 30.0
    item: str = ""
    scans: bool = False
    secondary: bool = False

    @property
    def items(self) -> tuple[str, ...]:
        """All there are of those several; one without a name where it is not one of several."""
        return next((each.choices for each in self.questions if each.name == self.item), ("",))


@record
class ProcedureStep:
    """One step."""

    name: str
    title: str
    checks: str
    cautions: tuple[str, ...]
    actions: tuple[Action, ...]


Steps = tuple[ProcedureStep, ...]


class StepState(StrEnum):
    """How far a step is."""

    OPEN = "open"
    UNDER_WAY = "under_way"
    FAILED = "failed"
    PASSED = "passed"
    SKIPPED = "skipped"


SKIP, LEAVE = "skip", "leave"
SETTLED = (StepState.PASSED, StepState.SKIPPED)


def state_of(step: ProcedureStep, history: Record) -> StepState:
    """How far a step is, by what is on record. The newest entry of each required item counts."""
    entries = history.of(step.name)
    if not entries:
        return StepState.OPEN
    if entries[-1].action == SKIP:
        return StepState.SKIPPED
    required = [(each.name, item) for each in step.actions if each.required for item in each.items]
    last = [history.last(step.name, action, LEAVE, item=item) for action, item in required]
    newest = [entry and entry.result for entry in last]
    if Result.FAILED in newest:
        return StepState.FAILED
    if all(result in (Result.PASSED, Result.SKIPPED) for result in newest):
        return StepState.PASSED
    return StepState.UNDER_WAY


def current(steps: Steps, history: Record) -> ProcedureStep | None:
    """The step to go on with; None when all is done."""
    return next((step for step in steps if state_of(step, history) not in SETTLED), None)


def blocked_by(steps: Steps, history: Record, step: ProcedureStep) -> ProcedureStep | None:
    """The first step before this one that is neither passed nor left out."""
    return current(steps[: steps.index(step)], history)


def settings_lines(tables: Mapping[str, Mapping[str, Any]]) -> str:
    """Tables of a collector as they stand in a settings file. Strings, numbers and arrays of them
    are written in TOML as in JSON."""
    lines: list[str] = []
    for table, settings in tables.items():
        lines.append(f"[collector.{table}]")
        lines += [f"{name} = {json.dumps(value)}" for name, value in settings.items()]
    return "\n".join(lines)


# --- what command line and panel show of it


def view(
    equipment: Equipment, steps: Steps, history: Record | None, now: Snapshot | None
) -> Content:
    """All steps with what is on record of them, where it goes on, and what is read now."""
    goes_on = None
    if history is not None and history.signature is None:
        goes_on = (current(steps, history) or steps[-1]).name
    return {
        "collector": equipment.collector.name,
        "record": None if history is None else _record(history),
        "steps": [] if history is None else [_step(steps, step, history) for step in steps],
        "current": goes_on,
        "live": None if now is None else _live(equipment.unit, now),
    }


def _record(history: Record) -> Content:
    signature = history.signature
    return {
        "begun": history.begun_utc,
        "begun_by": history.begun_by,
        "entries": len(history.entries),
        "signature": signature and {**asdict(signature), "matches": is_as_signed(history)},
    }


def _step(steps: Steps, step: ProcedureStep, history: Record) -> Content:
    first = blocked_by(steps, history, step)
    return {
        "step": step.name,
        "title": step.title,
        "state": state_of(step, history).value,
        "checks": step.checks,
        "cautions": list(step.cautions),
        "waits_for": first and first.name,
        "actions": [
            {
                "action": action.name,
                "title": action.title,
                "aside": action.secondary,
                "asks": [asdict(question) for question in action.questions],
            }
            for action in step.actions
        ],
        "entries": [_entry(history, entry) for entry in history.of(step.name)],
    }


_SHOWN = ("action", "item", "result", "words", "by", "utc")
_SHOWN_APART = ("settings", "cautions", "candidates", "registers", "changes")


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


def _live(unit: PressureUnit, now: Snapshot) -> Content:
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
