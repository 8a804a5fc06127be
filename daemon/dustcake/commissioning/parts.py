"""What a step is made of, and what a person fills in."""

from collections.abc import Callable
from enum import StrEnum
from math import isfinite

from dustcake.commissioning.record import Record, Result
from dustcake.commissioning.seen import Asked, Field, Judge, Watched
from dustcake.core.record import record
from dustcake.units import parse_pressure

LONGEST_TEXT = 200


class Form(StrEnum):
    """What kind of answer is asked for."""

    CONSENT = "consent"  # has to be said yes to
    YES_NO = "yes_no"
    NUMBER = "number"
    PRESSURE = "pressure"  # with its unit, as "1.2 inH2O"
    TEXT = "text"
    CHOICE = "choice"


@record
class Ask:
    """One thing a person is asked. ``default``: what stands there at first; ``low``, ``high``:
    bounds of a number."""

    name: str
    label: str
    form: Form
    required: bool = True
    default: str = ""
    choices: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0


class FieldError(Exception):
    """An answer that cannot be used; the message says which, and what would be one."""


def _nothing(_watched: Watched) -> str | None:
    return None


def _no_requests(_watched: Watched) -> tuple[Asked, ...]:
    return ()


@record
class Action:
    """Something done in a step. ``refuse``: why it may not be done now, None if it may;
    ``requests``: what is asked of the core first, each of which it may refuse; ``judge`` watches
    until it knows, for ``patience_s`` at most; ``item``: the field that says which of several;
    ``scans``: registers are searched, and ``judge`` is not used; ``aside``: not what usually is
    done."""

    name: str
    title: str
    asks: tuple[Ask, ...]
    judge: Judge
    refuse: Callable[[Watched], str | None] = _nothing
    requests: Callable[[Watched], tuple[Asked, ...]] = _no_requests
    patience_s: float = 30.0
    item: str = ""
    scans: bool = False
    aside: bool = False


@record
class Step:
    """One step. ``proofs``: action and item that must each have passed, or been left out with the
    reason. ``by_itself``: what the daemon finds without being asked, from the last half minute."""

    name: str
    title: str
    checks: str
    cautions: tuple[str, ...]
    actions: tuple[Action, ...]
    proofs: tuple[tuple[str, str], ...]
    by_itself: Judge | None = None


class StepState(StrEnum):
    """How far a step is."""

    OPEN = "open"
    UNDER_WAY = "under_way"
    FAILED = "failed"
    PASSED = "passed"
    SKIPPED = "skipped"


SKIP, LEAVE = "skip", "leave"
SETTLED = (StepState.PASSED, StepState.SKIPPED)


def state_of(step: Step, one: Record) -> StepState:
    """How far a step is, by what is on record. The newest entry of each proof counts."""
    entries = one.of(step.name)
    if not entries:
        return StepState.OPEN
    if entries[-1].action == SKIP:
        return StepState.SKIPPED
    newest = [_newest(one, step.name, action, item) for action, item in step.proofs]
    if Result.FAILED in newest:
        return StepState.FAILED
    if all(result in (Result.PASSED, Result.SKIPPED) for result in newest):
        return StepState.PASSED
    return StepState.UNDER_WAY


def _newest(one: Record, step: str, action: str, item: str) -> Result | None:
    for entry in reversed(one.of(step, None, item)):
        if entry.action in (action, LEAVE):
            return entry.result
    return None


def read_fields(action: Action, given: dict[str, object]) -> dict[str, Field]:
    """What the person said, each as its kind. Raises FieldError for the first that will not do."""
    known = {ask.name for ask in action.asks}
    unknown = sorted(given.keys() - known)
    if unknown:
        allowed = ", ".join(sorted(known)) or "none"
        # Escaped and cut: it goes back to the asker, and a lone surrogate has no UTF-8.
        raise FieldError(f"{unknown[0][:64]!a} is not asked for here; fields: {allowed}")
    fields: dict[str, Field] = {}
    for ask in action.asks:
        value = given.get(ask.name)
        if value is None or value == "":
            if ask.required and not ask.default:
                raise FieldError(f"`{ask.name}` is needed: {ask.label}")
            if not ask.default:
                continue
            value = ask.default
        fields[ask.name] = _READ[ask.form](ask, value)
    return fields


def _consent(ask: Ask, value: object) -> Field:
    if _yes_no(ask, value) is not True:
        raise FieldError(f"`{ask.name}`: this is done only when you can say yes to: {ask.label}")
    return True


def _yes_no(ask: Ask, value: object) -> Field:
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.lower() in ("yes", "y", "no", "n"):
        return value.lower().startswith("y")
    raise FieldError(f"`{ask.name}`: answer yes or no: {ask.label}")


def _number(ask: Ask, value: object) -> Field:
    try:
        number = float(value) if isinstance(value, str | int | float) else float("nan")
    except (ValueError, OverflowError):
        number = float("nan")
    if isinstance(value, bool) or not (isfinite(number) and ask.low <= number <= ask.high):
        raise FieldError(f"`{ask.name}`: give a number from {ask.low:g} to {ask.high:g}")
    return number


def _pressure(ask: Ask, value: object) -> Field:
    try:
        return parse_pressure(value if isinstance(value, str) else "").pa
    except ValueError as error:
        raise FieldError(f"`{ask.name}`: {error}") from None


def _text(ask: Ask, value: object) -> Field:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise FieldError(f"`{ask.name}`: give a text: {ask.label}")
    if len(value) > LONGEST_TEXT:
        raise FieldError(f"`{ask.name}`: at most {LONGEST_TEXT} characters")
    return value.strip()


def _choice(ask: Ask, value: object) -> Field:
    text = value
    if isinstance(value, int | float) and abs(value) < _MOST_CHOSEN:
        text = f"{value:g}"
    if not isinstance(text, str) or text not in ask.choices:
        raise FieldError(f"`{ask.name}`: one of {', '.join(ask.choices)}")
    return text


_MOST_CHOSEN = 1e6

_READ: dict[Form, Callable[[Ask, object], Field]] = {
    Form.CONSENT: _consent,
    Form.YES_NO: _yes_no,
    Form.NUMBER: _number,
    Form.PRESSURE: _pressure,
    Form.TEXT: _text,
    Form.CHOICE: _choice,
}
