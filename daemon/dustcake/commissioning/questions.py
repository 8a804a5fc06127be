"""What a person is asked in an action, and how the answers are read."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from enum import StrEnum
from math import nan

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
    names = sorted(question.name for question in questions)
    for unknown in sorted(given.keys() - names):
        # Escaped and cut: it goes back to whoever asked, and a lone surrogate has no UTF-8.
        allowed = ", ".join(names) or "none"
        raise FieldError(f"{unknown[:64]!a} is not a field of this action; fields: {allowed}")
    fields: dict[str, Field] = {}
    for question in questions:
        value = given.get(question.name)
        if value is None or value == "":
            value = question.default
        try:
            if value != "":
                fields[question.name] = _READ[question.form](question, value)
            elif question.required:
                raise FieldError(f"`{question.name}` is needed: {question.label}")
        except ValueError as error:
            raise FieldError(f"`{question.name}`: {error}") from None
    return fields


# How each type of answer is read; each raises ValueError, which says what would be one.


def _consent(question: Question, value: object) -> Field:
    if _yes_no(question, value) is not True:
        raise ValueError(f"this is done only when you can say yes to: {question.label}")
    return True


def _yes_no(question: Question, value: object) -> Field:
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.lower() in ("yes", "y", "no", "n"):
        return value.lower().startswith("y")
    raise ValueError(f"answer yes or no: {question.label}")


def _number(question: Question, value: object) -> Field:
    low, high = question.low, question.high
    number = nan
    if isinstance(value, str | int | float) and not isinstance(value, bool):
        with suppress(ValueError, OverflowError):
            number = float(value)
    if not low <= number <= high:
        raise ValueError(f"give a number from {low:g} to {high:g}")
    return number


def _pressure(_question: Question, value: object) -> Field:
    return parse_pressure(value if isinstance(value, str) else "").pa


def _text(question: Question, value: object) -> Field:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError(f"give a text: {question.label}")
    if len(value) > LONGEST_TEXT:
        raise ValueError(f"at most {LONGEST_TEXT} characters")
    return value.strip()


def _choice(question: Question, value: object) -> Field:
    if isinstance(value, int | float) and abs(value) < _LARGEST_CHOICE:
        value = f"{value:g}"
    if not isinstance(value, str) or value not in question.choices:
        raise ValueError(f"one of {', '.join(question.choices)}")
    return value


_READ: dict[AnswerType, Callable[[Question, object], Field]] = {
    AnswerType.CONSENT: _consent,
    AnswerType.YES_NO: _yes_no,
    AnswerType.NUMBER: _number,
    AnswerType.PRESSURE: _pressure,
    AnswerType.TEXT: _text,
    AnswerType.CHOICE: _choice,
}
