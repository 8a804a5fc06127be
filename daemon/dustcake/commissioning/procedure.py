"""What the procedure is made of: steps, the actions in them, and how far each step is.

An action asks the person some questions, may put requests to the core, and then evaluates what is
observed until there is a result. Both are data: the command line and the panel show the same steps,
and the daemon carries them out.
"""

import json
from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Any

from dustcake.commissioning.observation import Observation
from dustcake.commissioning.questions import Question
from dustcake.commissioning.record import Record, Result
from dustcake.core.record import record

CoreRequest = dict[str, object]


@record
class ActionResult:
    """What an action came to. ``values``: units in the names."""

    result: Result
    words: str
    values: dict[str, object]


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


def never(_observed: Observation) -> None:
    """No reason to refuse; or no result, where a scan gives it."""


@record
class Action:
    """Something done in a step. ``refuse``: why it may not be done now, None if it may;
    ``requests``: put to the core first, which may refuse each; ``evaluate`` is called until it has
    a result, for ``timeout_s`` at most; ``item``: the question that says which of several;
    ``scans``: registers are searched, and ``evaluate`` is not used; ``secondary``: not what is
    usually done."""

    name: str
    title: str
    questions: tuple[Question, ...]
    evaluate: Evaluator
    refuse: Callable[[Observation], str | None] = never
    requests: Callable[[Observation], tuple[CoreRequest, ...]] = lambda _: ()
    timeout_s: float = 30.0
    item: str = ""
    scans: bool = False
    secondary: bool = False


@record
class ProcedureStep:
    """One step. ``required``: action and item that must each have passed, or been left out with the
    reason. ``automatic``: what the daemon finds by itself, from the last half minute."""

    name: str
    title: str
    checks: str
    cautions: tuple[str, ...]
    actions: tuple[Action, ...]
    required: tuple[tuple[str, str], ...]
    automatic: Evaluator | None = None


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
    newest = [_newest(history, step.name, action, item) for action, item in step.required]
    if Result.FAILED in newest:
        return StepState.FAILED
    if all(result in (Result.PASSED, Result.SKIPPED) for result in newest):
        return StepState.PASSED
    return StepState.UNDER_WAY


def _newest(history: Record, step: str, action: str, item: str) -> Result | None:
    for entry in reversed(history.of(step, None, item)):
        if entry.action in (action, LEAVE):
            return entry.result
    return None


def blocked_by(steps: Steps, history: Record, name: str) -> ProcedureStep | None:
    """The first step before the one called ``name`` that is neither passed nor left out."""
    step = current(steps, history)
    names = [each.name for each in steps]
    return step if step is not None and names.index(step.name) < names.index(name) else None


def current(steps: Steps, history: Record) -> ProcedureStep | None:
    """The step to go on with; None when all is done."""
    return next((step for step in steps if state_of(step, history) not in SETTLED), None)


def settings_lines(table: str, settings: Mapping[str, Any]) -> str:
    """A table as it stands in a settings file. Strings, numbers and arrays of them are written in
    TOML as in JSON."""
    lines = (f"{name} = {json.dumps(value)}" for name, value in settings.items())
    return "\n".join([f"[{table}]", *lines])
