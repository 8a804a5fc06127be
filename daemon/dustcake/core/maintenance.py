"""What people have to do now and again, and whether it is due. A reminder, not an alarm."""

from dustcake.core.events import UpkeepDue
from dustcake.core.record import replace
from dustcake.core.setpoints import UpkeepTask
from dustcake.core.state import BlowerState, Item, Upkeep
from dustcake.core.step_context import StepContext

# Times of the calendar are followed on the monotonic clock; a step of the time of day by more than
# this moves them along. Less is the clock being kept right, and the calendar has no such accuracy.
_CLOCK_STEP_S = 60.0


def restarted(context: StepContext, upkeep: Upkeep, blower: BlowerState, pulses: int) -> Upkeep:
    """The tasks of the settings: known ones as they were, a new one as if it had just been done.
    Monotonic times mean nothing now; those of the calendar are made anew from the time of day."""
    known = {item.name: replace(item, due_s=None) for item in upkeep.items}
    return Upkeep(
        tuple(
            known.get(task.name) or _begun(context, task.name, blower, pulses)
            for task in context.setpoints.upkeep
        )
    )


def _begun(context: StepContext, name: str, blower: BlowerState, pulses: int) -> Item:
    return Item(name, context.at.utc_s, blower.total_until_s(context.now_s), pulses)


def done(
    context: StepContext, upkeep: Upkeep, name: str, blower: BlowerState, pulses: int
) -> Upkeep:
    """Somebody has done it; nothing changes where there is no such task."""
    items = tuple(
        _begun(context, name, blower, pulses) if item.name == name else item
        for item in upkeep.items
    )
    return Upkeep(items)  # the calendar is made anew


def follow(context: StepContext, upkeep: Upkeep, blower: BlowerState, pulses: int) -> Upkeep:
    """See whether anything has become due."""
    if not upkeep.items:
        return upkeep
    upkeep = _on_this_clock(context, upkeep)
    items = list(upkeep.items)
    for place, (item, task) in enumerate(zip(items, context.setpoints.upkeep, strict=True)):
        if not item.due and _is_due(context, item, task, blower, pulses):
            items[place] = _told(context, item, task)
            upkeep = replace(upkeep, items=tuple(items))
    return upkeep


def _on_this_clock(context: StepContext, upkeep: Upkeep) -> Upkeep:
    """Calendar times on the monotonic clock: made anew where the time of day has become known, or
    has been stepped."""
    utc_s = context.at.utc_s
    if utc_s is None:
        return upkeep
    clock_s = utc_s - context.now_s
    if upkeep.clock_s is not None and abs(clock_s - upkeep.clock_s) <= _CLOCK_STEP_S:
        return upkeep
    items = []
    for item, task in zip(upkeep.items, context.setpoints.upkeep, strict=True):
        done_utc_s = utc_s if item.done_utc_s is None else item.done_utc_s
        due_s = None if task.every_s is None else done_utc_s + task.every_s - clock_s
        items.append(replace(item, done_utc_s=done_utc_s, due_s=due_s))
    return Upkeep(tuple(items), clock_s)


def _is_due(
    context: StepContext, item: Item, task: UpkeepTask, blower: BlowerState, pulses: int
) -> bool:
    by_run = task.every_run_s is not None and context.is_due(
        blower.total_reaches_s(item.done_run_s + task.every_run_s)
    )
    by_pulses = task.every_pulses is not None and pulses - item.done_pulses >= task.every_pulses
    by_calendar = item.due_s is not None and context.is_due(item.due_s)
    return by_run or by_pulses or by_calendar


def _told(context: StepContext, item: Item, task: UpkeepTask) -> Item:
    context.emit(UpkeepDue(task.name, task.text))
    return replace(item, due=True)
