"""What people have to do now and again, and whether it is due. A reminder, not an alarm."""

from dustcake.core.events import UpkeepDue, ZeroTaken
from dustcake.core.record import replace, update
from dustcake.core.requests.kinds import Entry
from dustcake.core.setpoints import MaintenanceSetting
from dustcake.core.state import LogBook, MaintenanceTask, MaintenanceTasks, State
from dustcake.core.step_context import StepContext

COMPLETES = {Entry.DRUM_EMPTIED: "drum", Entry.ZEROING: "zero"}
"""Which task an entry completes, where the settings have one of that name."""

# Times of the calendar are followed on the monotonic clock; a step of the time of day by more than
# this moves them along. Less is the clock being kept right, and the calendar has no such accuracy.
_CLOCK_STEP_S = 60.0


def restart(context: StepContext, state: State) -> State:
    """The tasks of the settings: known ones as they were, a new one as if it had just been done.
    Monotonic times mean nothing now; those of the calendar are made anew from the time of day."""
    known = {task.name: replace(task, due_s=None) for task in state.log_book.maintenance.tasks}
    names = [setting.name for setting in context.setpoints.maintenance]
    tasks = tuple(known.get(name) or _done_now(context, state, name) for name in names)
    return replace(state, log_book=replace(state.log_book, maintenance=MaintenanceTasks(tasks)))


def advance(context: StepContext, state: State) -> State:
    """See whether a task has become due. A zero taken just now completes its own."""
    book = state.log_book
    if any(isinstance(event.body, ZeroTaken) for event in context.events):
        book = done(context, state, COMPLETES[Entry.ZEROING])
    return update(state, log_book=update(book, maintenance=_followed(context, state, book)))


def done(context: StepContext, state: State, name: str) -> LogBook:
    """Somebody has done it; nothing changes where there is no such task."""
    tasks = state.log_book.maintenance.tasks
    if not any(task.name == name for task in tasks):
        return state.log_book
    now = tuple(_done_now(context, state, name) if task.name == name else task for task in tasks)
    # Without ``clock_s``, so that the calendar is made anew.
    return replace(state.log_book, maintenance=MaintenanceTasks(now))


def _done_now(context: StepContext, state: State, name: str) -> MaintenanceTask:
    run_s = state.blower.total_until_s(context.now_s)
    return MaintenanceTask(name, context.at.utc_s, run_s, sum(state.pulsing.counts))


def _followed(context: StepContext, state: State, book: LogBook) -> MaintenanceTasks:
    if not book.maintenance.tasks:
        return book.maintenance
    maintenance = _on_this_clock(context, book.maintenance)
    tasks = list(maintenance.tasks)
    for i, (task, setting) in enumerate(zip(tasks, context.setpoints.maintenance, strict=True)):
        if not task.due and _is_due(context, state, task, setting):
            context.emit(UpkeepDue(setting.name, setting.text))
            tasks[i] = replace(task, due=True)
            maintenance = replace(maintenance, tasks=tuple(tasks))
    return maintenance


def _on_this_clock(context: StepContext, maintenance: MaintenanceTasks) -> MaintenanceTasks:
    """Calendar times on the monotonic clock: made anew where the time of day has become known, or
    has been stepped."""
    utc_s = context.at.utc_s
    if utc_s is None:
        return maintenance
    clock_s = utc_s - context.now_s
    if maintenance.clock_s is not None and abs(clock_s - maintenance.clock_s) <= _CLOCK_STEP_S:
        return maintenance
    tasks = []
    for task, setting in zip(maintenance.tasks, context.setpoints.maintenance, strict=True):
        done_utc_s = utc_s if task.done_utc_s is None else task.done_utc_s
        due_s = None if setting.every_s is None else done_utc_s + setting.every_s - clock_s
        tasks.append(replace(task, done_utc_s=done_utc_s, due_s=due_s))
    return MaintenanceTasks(tuple(tasks), clock_s)


def _is_due(
    context: StepContext, state: State, task: MaintenanceTask, setting: MaintenanceSetting
) -> bool:
    run_s, pulses, due_s = setting.every_run_s, setting.every_pulses, task.due_s
    by_pulses = pulses is not None and sum(state.pulsing.counts) >= task.done_pulses + pulses
    by_run = run_s is not None and context.is_due(
        state.blower.total_reaches_s(task.done_run_s + run_s)
    )
    by_calendar = due_s is not None and context.is_due(due_s)
    return by_run or by_pulses or by_calendar
