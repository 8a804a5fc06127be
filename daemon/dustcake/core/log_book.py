"""The log book: what people did, and what was changed in the settings, with who and when.

The events are the book; what is remembered here is only what later decisions rest on.
"""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from enum import Enum

from dustcake.core import maintenance as upkeeps
from dustcake.core.events import FiltersChanged, LogEntry, SettingChanged, ZeroTaken
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.requests.kinds import Entry, RecordEntry, RecordFilterChange
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import BlowerState, LogBook, State
from dustcake.core.step_context import StepContext

# Which upkeep an entry completes, where the settings have one of that name.
COMPLETES = {Entry.DRUM_EMPTIED: "drum", Entry.ZEROING: "zero"}

_NOT_SET_POINTS = ("collector", "upkeep", "edited_by", "adjusting")


def restart(context: StepContext, state: State) -> State:
    """After a start: record which set points are not what they were."""
    book = set_points_noted(context, state.log_book, context.setpoints.edited_by)
    upkeep = upkeeps.restarted(context, book.upkeep, state.blower, sum(state.pulsing.counts))
    return replace(state, log_book=replace(book, upkeep=upkeep))


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
    """Every set point by the place it has in ``Setpoints``, and its value as text."""
    for field in fields(setpoints):
        if field.name not in _NOT_SET_POINTS:
            yield from _lines(field.name, getattr(setpoints, field.name))


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


def advance(context: StepContext, state: State) -> State:
    """See whether upkeep has become due. A zero taken just now completes its own."""
    book, blower, pulses = state.log_book, state.blower, sum(state.pulsing.counts)
    upkeep = book.upkeep
    if any(isinstance(event.body, ZeroTaken) for event in context.events):
        upkeep = upkeeps.done(context, upkeep, COMPLETES[Entry.ZEROING], blower, pulses)
    upkeep = upkeeps.follow(context, upkeep, blower, pulses)
    return state if upkeep is book.upkeep else replace(state, log_book=replace(book, upkeep=upkeep))


def filters_changed(
    context: StepContext, book: LogBook, asked: RecordFilterChange, by: str, blower: BlowerState
) -> tuple[LogBook, bool, Reason]:
    """Put a filter change on record."""
    valves = len(context.setpoints.pulsing.order)
    if not all(1 <= valve <= valves for valve in asked.valves):
        return book, False, because(Because.NO_SUCH_VALVE, valves=valves)
    now_s = blower.total_until_s(context.now_s)
    run_s = now_s - (book.filters_changed_s or 0.0)
    context.emit(FiltersChanged(run_s, asked.note, by, asked.valves))
    changed = replace(book, filters_changed_s=now_s, filters_changed_utc_s=context.at.utc_s)
    return changed, True, because(Because.DONE)


def entered(
    context: StepContext,
    book: LogBook,
    asked: RecordEntry,
    by: str,
    blower: BlowerState,
    pulses: int,
) -> tuple[LogBook, bool, Reason]:
    """Put an entry into the book, and upkeep it completes aside."""
    tasks = {task.name for task in context.setpoints.upkeep}
    task = COMPLETES.get(asked.entry, "")
    if asked.entry is Entry.UPKEEP_DONE:
        task = asked.upkeep
        if task not in tasks:
            return book, False, because(Because.NO_SUCH_UPKEEP, task)
    if asked.entry is Entry.NOTE and not asked.note.strip():
        return book, False, because(Because.NO_NOTE)
    task = task if task in tasks else ""
    context.emit(LogEntry(asked.entry, asked.note, task, by))
    upkeep = upkeeps.done(context, book.upkeep, task, blower, pulses) if task else book.upkeep
    return replace(book, upkeep=upkeep), True, because(Because.DONE)
