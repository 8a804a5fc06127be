"""What a person is asked in an action, and how the answers are read."""

from collections.abc import Callable, Mapping
from enum import StrEnum
from math import isfinite, nan

from dustcake.core.record import record
from dustcake.units import parse_pressure

Field = str | float | bool
Fields = Mapping[str, Field]

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


class FieldError(Exception):
    """An answer that cannot be used; the message says which, and what would be one."""


def read_fields(questions: tuple[Question, ...], given: Mapping[str, object]) -> dict[str, Field]:
    """The answers given, each as its type. Raises FieldError for the first that will not do."""
    unknown = sorted(given.keys() - {question.name for question in questions})
    if unknown:
        allowed = ", ".join(sorted(question.name for question in questions)) or "none"
        # Escaped and cut: it goes back to whoever asked, and a lone surrogate has no UTF-8.
        raise FieldError(f"{unknown[0][:64]!a} is not asked for here; fields: {allowed}")
    fields: dict[str, Field] = {}
    for question in questions:
        value = given.get(question.name)
        if value is None or value == "":
            value = question.default
        if value != "":
            fields[question.name] = _READ[question.form](question, value)
        elif question.required:
            raise FieldError(f"`{question.name}` is needed: {question.label}")
    return fields


def _consent(question: Question, value: object) -> Field:
    if _yes_no(question, value) is not True:
        label = question.label
        raise FieldError(f"`{question.name}`: this is done only when you can say yes to: {label}")
    return True


def _yes_no(question: Question, value: object) -> Field:
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.lower() in ("yes", "y", "no", "n"):
        return value.lower().startswith("y")
    raise FieldError(f"`{question.name}`: answer yes or no: {question.label}")


def _number(question: Question, value: object) -> Field:
    low, high = question.low, question.high
    try:
        number = float(value) if isinstance(value, str | int | float) else nan
    except (ValueError, OverflowError):
        number = nan
    if isinstance(value, bool) or not (isfinite(number) and low <= number <= high):
        raise FieldError(f"`{question.name}`: give a number from {low:g} to {high:g}")
    return number


def _pressure(question: Question, value: object) -> Field:
    try:
        return parse_pressure(value if isinstance(value, str) else "").pa
    except ValueError as error:
        raise FieldError(f"`{question.name}`: {error}") from None


def _text(question: Question, value: object) -> Field:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise FieldError(f"`{question.name}`: give a text: {question.label}")
    if len(value) > LONGEST_TEXT:
        raise FieldError(f"`{question.name}`: at most {LONGEST_TEXT} characters")
    return value.strip()


def _choice(question: Question, value: object) -> Field:
    text = value
    if isinstance(value, int | float) and abs(value) < _LARGEST_CHOICE:
        text = f"{value:g}"
    if not isinstance(text, str) or text not in question.choices:
        raise FieldError(f"`{question.name}`: one of {', '.join(question.choices)}")
    return text


_READ: dict[AnswerType, Callable[[Question, object], Field]] = {
    AnswerType.CONSENT: _consent,
    AnswerType.YES_NO: _yes_no,
    AnswerType.NUMBER: _number,
    AnswerType.PRESSURE: _pressure,
    AnswerType.TEXT: _text,
    AnswerType.CHOICE: _choice,
}
