"""The log book: what people did, and what was changed in the settings, with who and when.

The events are the book; what is remembered here is only what later decisions rest on.
"""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from enum import Enum

from dustcake.core import maintenance
from dustcake.core.events import FiltersChanged, LogEntry, SettingChanged
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.requests.kinds import Entry, RecordEntry, RecordFilterChange, Verdict
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import LogBook, State
from dustcake.core.step_context import StepContext

_NOT_SET_POINTS = ("collector", "maintenance", "edited_by", "adjusting")
_PUBLISHED_AS = {"signal_validation": "trust", "pulse_response": "diagnosis"}


def restart(context: StepContext, state: State) -> State:
    """After a start: record which set points are not what they were."""
    book = set_points_noted(context, state.log_book, context.setpoints.edited_by)
    return replace(state, log_book=book)


def set_points_noted(context: StepContext, book: LogBook, by: str) -> LogBook:
    """Record which of the set points in force are not what they were, by whom."""
    before = dict(_parted(line) for line in book.settings.splitlines())
    after = dict(lines_of(context.setpoints))
    if before:
        for setting in (*before, *(name for name in after if name not in before)):
            was, now = before.get(setting, ""), after.get(setting, "")
            if was != now:
                context.emit(SettingChanged(setting, was, now, by))
    return replace(book, settings="\n".join(f"{name}={value}" for name, value in after.items()))


def _parted(line: str) -> tuple[str, str]:
    name, _, value = line.partition("=")
    return name, value


def lines_of(setpoints: Setpoints) -> Iterator[tuple[str, str]]:
    """Every set point by the place it has in the settings, and its value as text."""
    for field in fields(setpoints):
        if field.name not in _NOT_SET_POINTS:
            path = _PUBLISHED_AS.get(field.name, field.name)
            yield from _lines(path, getattr(setpoints, field.name))


def _lines(path: str, value: object) -> Iterator[tuple[str, str]]:
    if is_dataclass(value):
        for field in fields(value):
            yield from _lines(f"{path}.{field.name}", getattr(value, field.name))
    elif isinstance(value, tuple) and any(is_dataclass(each) for each in value):
        for each in value:
            name = str(getattr(each, "name", value.index(each)))
            for field in fields(each):
                if field.name != "name":
                    yield from _lines(f"{path}.{name}.{field.name}", getattr(each, field.name))
    else:
        yield path, _text(value)


def _text(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(_text, value))
    return str(value.value) if isinstance(value, Enum) else str(value)


def filters_changed(
    context: StepContext, state: State, request: RecordFilterChange, by: str
) -> tuple[State, Verdict]:
    """Put a filter change on record."""
    book, valves = state.log_book, len(context.setpoints.pulsing.order)
    if not all(1 <= valve <= valves for valve in request.valves):
        return state, Verdict(False, because(Because.NO_SUCH_VALVE, valves=valves))
    now_s = state.blower.total_until_s(context.now_s)
    run_s = now_s - (book.filters_changed_s or 0.0)
    context.emit(FiltersChanged(run_s, request.note, by, request.valves))
    book = replace(book, filters_changed_s=now_s, filters_changed_utc_s=context.at.utc_s)
    return replace(state, log_book=book), Verdict(True, because(Because.DONE))


def entered(
    context: StepContext, state: State, request: RecordEntry, by: str
) -> tuple[State, Verdict]:
    """Put an entry into the book. A task that it completes is not due any more."""
    names = {setting.name for setting in context.setpoints.maintenance}
    name = maintenance.COMPLETES.get(request.entry, "")
    if request.entry is Entry.UPKEEP_DONE:
        name = request.upkeep
        if name not in names:
            return state, Verdict(False, because(Because.NO_SUCH_UPKEEP, name))
    if request.entry is Entry.NOTE and not request.note.strip():
        return state, Verdict(False, because(Because.NO_NOTE))
    name = name if name in names else ""
    context.emit(LogEntry(request.entry, request.note, name, by))
    state = replace(state, log_book=maintenance.done(context, state, name))
    return state, Verdict(True, because(Because.DONE))
