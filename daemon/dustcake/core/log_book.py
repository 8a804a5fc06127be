"""The log book: what people have put on record, and which set points have changed, by whom.

The book itself is the events named in ``LOG_BOOK``. What is remembered between steps is when
filters were last changed and each upkeep last done, and the set points last in force.
"""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from dustcake.core import maintenance
from dustcake.core.events import FiltersChanged, LogEntry, SettingChanged
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.requests.kinds import Entry, RecordEntry, RecordFilterChange, RequestOutcome
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Handled, LogBook, State
from dustcake.core.step_context import StepContext

PUBLISHED_AS: dict[str, str | None] = {
    "collector": None,
    "dp": "dp",
    "header": "header",
    "header_limits": "header_limits",
    "fitted": "fitted",
    "stale_after_s": "stale_after_s",
    "settle_s": "settle_s",
    "outputs_retry_s": "outputs_retry_s",
    "cleaning": "cleaning",
    "pulsing": "pulsing",
    "alarms": "alarms",
    "limits": "limits",
    "alarm_rules": "alarm_rules",
    "zeroing": "zeroing",
    "blower": "blower",
    "signal_validation": "trust",
    "pulse_response": "diagnosis",
    "maintenance": None,
    "edited_by": None,
    "air": "air",
    "adjusting": None,
    "seasoning_h": "seasoning_h",
}
"""Every field of ``Setpoints``, in their order, by the name that a change in it is recorded and
published under; None: a change of it is not recorded."""


def restart(context: StepContext, state: State) -> State:
    """After a start: record which set points are not what they were."""
    book = set_points_noted(context, state.log_book, context.setpoints.edited_by)
    return replace(state, log_book=book)


def set_points_noted(context: StepContext, book: LogBook, by: str) -> LogBook:
    """Record which of the set points in force are not what they were, by whom."""
    parted = (line.partition("=") for line in book.settings.splitlines())
    before = {name: value for name, _, value in parted}
    after = dict(lines_of(context.setpoints))
    if before:
        for setting in before | after:
            was, now = before.get(setting, ""), after.get(setting, "")
            if was != now:
                context.emit(SettingChanged(setting, was, now, by))
    return replace(book, settings="\n".join(f"{name}={value}" for name, value in after.items()))


def lines_of(setpoints: Setpoints) -> Iterator[tuple[str, str]]:
    """Every set point by the name it is published under, and its value as text."""
    for name, published in PUBLISHED_AS.items():
        if published is not None:
            yield from _lines(published, getattr(setpoints, name))


def _lines(path: str, value: Any) -> Iterator[tuple[str, str]]:
    if is_dataclass(value):
        for field in fields(value):
            if field.name != "name":
                yield from _lines(f"{path}.{field.name}", getattr(value, field.name))
    elif isinstance(value, tuple) and any(map(is_dataclass, value)):
        for each in value:
            yield from _lines(f"{path}.{each.name}", each)
    else:
        yield path, _text(value)


def _text(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(_text, value))
    return str(value.value) if isinstance(value, Enum) else str(value)


def filters_changed(
    context: StepContext, state: State, request: RecordFilterChange, by: str
) -> Handled:
    """Put a filter change on record."""
    book, valves = state.log_book, len(context.setpoints.pulsing.order)
    if not all(1 <= valve <= valves for valve in request.valves):
        return state, RequestOutcome(False, because(Because.NO_SUCH_VALVE, valves=valves))
    now_s = state.blower.total_until_s(context.now_s)
    run_s = now_s - (book.filters_changed_s or 0.0)
    context.emit(FiltersChanged(run_s, request.note, by, request.valves))
    book = replace(book, filters_changed_s=now_s, filters_changed_utc_s=context.at.utc_s)
    return replace(state, log_book=book), RequestOutcome(True, because(Because.DONE))


def entered(context: StepContext, state: State, request: RecordEntry, by: str) -> Handled:
    """Put an entry into the book. A task that it completes is not due any more."""
    names = {setting.name for setting in context.setpoints.maintenance}
    name = maintenance.COMPLETES.get(request.entry, "")
    if request.entry is Entry.UPKEEP_DONE:
        name = request.upkeep
        if name not in names:
            return state, RequestOutcome(False, because(Because.NO_SUCH_UPKEEP, name))
    if request.entry is Entry.NOTE and not request.note.strip():
        return state, RequestOutcome(False, because(Because.NO_NOTE))
    name = name if name in names else ""
    context.emit(LogEntry(request.entry, request.note, name, by))
    state = replace(state, log_book=maintenance.done(context, state, name))
    return state, RequestOutcome(True, because(Because.DONE))
