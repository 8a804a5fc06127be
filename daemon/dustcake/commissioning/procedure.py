"""What the procedure is made of: steps, actions and questions; and how far each step is.

An action asks the person some questions, may put requests to the core, and then evaluates what is
observed until there is a result. Command line and panel show the same ``view`` of it, as JSON, and
the daemon carries it out.
"""

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict
from enum import StrEnum
from math import nan
from typing import Any

from dustcake.commissioning.observation import Equipment, Observation
from dustcake.commissioning.record import Record, RecordedAction, Result, is_as_signed
from dustcake.core.cleaning.state import Met
from dustcake.core.record import record
from dustcake.core.state import State
from dustcake.publish.wording import header_unit, sentence, spoken
from dustcake.units import PressureUnit, parse_pressure, show

CoreRequest = dict[str, object]
Content = dict[str, Any]


# --- what a person is asked, and how the answers are read

LONGEST_TEXT = 200
_LARGEST_CHOICE = 1e6


class AnswerType(StrEnum):
    """What type of answer a question wants."""

    CONSENT = "consent"  # has to be said yes to
    YES_NO = "yes_no"
    NUMBER = "number"
    PRESSURE = "pressure"  # with its unit, as "1.2 inH2O"
    TEXT = "text"
    CHOICE = "choice"


@record
class Question:
    """One thing a person is asked. ``default``: the answer offered at first; ``low``, ``high``:
    bounds of a number."""

    name: str
    label: str
    form: AnswerType
    required: bool = True
    default: str = ""
    choices: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0


class RefusedError(Exception):
    """Something cannot be done now, or an answer cannot be used; the message says why, and what
    would do."""


def read_fields(questions: tuple[Question, ...], given: Mapping[str, object]) -> Content:
    """The answers given, each as its type. Raises RefusedError for the first that will not do."""
    names = sorted(question.name for question in questions)
    for unknown in sorted(given.keys() - names):
        # Escaped and cut: it goes back to whoever asked, and a lone surrogate has no UTF-8.
        allowed = ", ".join(names) or "none"
        raise RefusedError(f"{unknown[:64]!a} is not a field of this action; fields: {allowed}")
    fields: Content = {}
    for question in questions:
        answer = given.get(question.name)
        value = question.default if answer in (None, "") else answer
        try:
            if value != "":
                fields[question.name] = _READ[question.form](question, value)
            elif question.required:
                raise RefusedError(f"`{question.name}` is needed: {question.label}")
        except ValueError as error:
            raise RefusedError(f"`{question.name}`: {error}") from None
    return fields


# How each type of answer is read; each raises ValueError, which says what would be one.


def _consent(question: Question, value: object) -> object:
    if _yes_no(question, value) is not True:
        raise ValueError(f"this is done only when you can say yes to: {question.label}")
    return True


def _yes_no(question: Question, value: object) -> object:
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.lower() in ("yes", "y", "no", "n"):
        return value.lower().startswith("y")
    raise ValueError(f"answer yes or no: {question.label}")


def _number(question: Question, value: object) -> object:
    low, high = question.low, question.high
    number = nan
    if isinstance(value, str | int | float) and not isinstance(value, bool):
        with suppress(ValueError, OverflowError):
            number = float(value)
    if not low <= number <= high:
        raise ValueError(f"give a number from {low:g} to {high:g}")
    return number


def _pressure(_question: Question, value: object) -> object:
    return parse_pressure(value if isinstance(value, str) else "").pa


def _text(question: Question, value: object) -> object:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError(f"give a text: {question.label}")
    if len(value) > LONGEST_TEXT:
        raise ValueError(f"at most {LONGEST_TEXT} characters")
    return value.strip()


def _choice(question: Question, value: object) -> object:
    if isinstance(value, int | float) and abs(value) < _LARGEST_CHOICE:
        value = f"{value:g}"
    if not isinstance(value, str) or value not in question.choices:
        raise ValueError(f"one of {', '.join(question.choices)}")
    return value


_READ: dict[AnswerType, Callable[[Question, object], object]] = {
    AnswerType.CONSENT: _consent,
    AnswerType.YES_NO: _yes_no,
    AnswerType.NUMBER: _number,
    AnswerType.PRESSURE: _pressure,
    AnswerType.TEXT: _text,
    AnswerType.CHOICE: _choice,
}


# --- what an action comes to, and what it is made of


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
    several, each of which is required; ``after``: what has to be on record of the same item, and
    ``first`` what is said where it is not; ``scans``: registers are searched; ``secondary``: not
    what is usually done; ``words``: what goes on record, as ``result``, where nothing is measured,
    and ``words_if_not`` that it failed, where the answer to `right` is no."""

    name: str
    title: str
    work: Work
    words: str = ""
    words_if_not: str = ""
    result: Result = Result.PASSED
    questions: tuple[Question, ...] = ()
    required: bool = False
    timeout_s: float = 30.0
    item: str = ""
    after: str = ""
    first: str = ""
    scans: bool = False
    secondary: bool = False

    @property
    def items(self) -> tuple[str, ...]:
        """All there are of those several; one without a name where it is not one of several."""
        return next((each.choices for each in self.questions if each.name == self.item), ("",))

    def evaluate(self, observed: Observation) -> ActionResult | None:
        """Result of what is observed or, given ``words``, of what is answered; None: not yet."""
        if not self.words:
            return self.work.evaluate(observed)
        answers = dict(observed.fields)
        for each in self.questions:
            if each.choices:
                answers[each.name] = spoken(answers[each.name])
        if answers.get("right", True):
            return ActionResult(self.result, self.words.format_map(answers), {})
        return failed(self.words_if_not.format_map(answers))


@record
class ProcedureStep:
    """One step."""

    name: str
    title: str
    checks: str
    cautions: tuple[str, ...]
    actions: tuple[Action, ...]


Steps = tuple[ProcedureStep, ...]


# --- how far the steps are


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
    results = {entry and entry.result for entry in _required(step, history)}
    if Result.FAILED in results:
        return StepState.FAILED
    return StepState.PASSED if results <= {Result.PASSED, Result.SKIPPED} else StepState.UNDER_WAY


def not_tried(step: ProcedureStep, history: Record) -> str:
    """Items of a step that were left out, each with its reason on record; empty where none was."""
    entries = _required(step, history)
    items = [one.item for one in entries if one is not None and one.result is Result.SKIPPED]
    return ", ".join(map(spoken, dict.fromkeys(items)))


def _required(step: ProcedureStep, history: Record) -> list[RecordedAction | None]:
    """The newest entry of each required action, for each of its items; None: not done yet."""
    wanted = [(each.name, item) for each in step.actions if each.required for item in each.items]
    return [history.last(step.name, action, LEAVE, item=item) for action, item in wanted]


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


def refusal(step: ProcedureStep, action: Action, observed: Observation) -> str | None:
    """Why an action may not be done now; None if it may."""
    item = observed.fields.get(action.item, "")
    if action.after and observed.record.last(step.name, action.after, item=item) is None:
        return action.first.format_map(observed.fields)
    return action.work.refuse(observed)


# --- what command line and panel show of it


def view(equipment: Equipment, steps: Steps, history: Record | None, now: State) -> Content:
    """All steps with what is on record of them, where it goes on, and what is read now."""
    shown = {"collector": equipment.collector.name, "live": _live(equipment.unit, now)}
    if history is None:
        return {**shown, "record": None, "steps": [], "current": None}
    goes_on = current(steps, history) or steps[-1]
    return {
        **shown,
        "record": _record(history),
        "steps": [_step(steps, step, history) for step in steps],
        "current": goes_on.name if history.signature is None else None,
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
        "not_tried": not_tried(step, history),
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


def _live(unit: PressureUnit, now: State) -> Content:
    dp_pa, gauge_pa = now.sample.pa, now.header_pa
    return {
        "dp": None if dp_pa is None else show(dp_pa, unit),
        "quality": now.sample.quality.value,
        "header": None if gauge_pa is None else show(gauge_pa, header_unit(unit)),
        "blower_running": now.blower.running,
        "mode": now.mode.value,
        "pulses": list(now.pulsing.counts),
        "missing": [
            {"name": one.name, "reason": "" if one.reason is None else sentence(one.reason, unit)}
            for one in now.decision.permissives
            if one.met is Met.NO
        ],
    }
