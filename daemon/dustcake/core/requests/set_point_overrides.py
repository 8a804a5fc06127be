"""Set points that people change by request: within limits, in two steps, and on record.

The first step is held and answered with what would change; it acts only when the same asker
confirms it in time. What has been changed so is kept through restarts, until the settings file says
something else about that set point: whoever edits the file means it.
"""

from typing import Any

from dustcake.core import log_book
from dustcake.core.events import ChangeLapsed
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.requests.kinds import (
    ChangeSetPoints,
    ConfirmChange,
    PendingChange,
    PointChange,
    RequestOutcome,
    SetPoint,
    SetPointOverride,
    SetPointOverrides,
)
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import Handled, State
from dustcake.core.step_context import StepContext

_WHOLE_STEP = 1e-6  # of a step of the on-time: rounding of what was written as decimals


def value_of(setpoints: Setpoints, point: SetPoint) -> float:
    """The value ``point`` has in ``setpoints``."""
    section = setpoints.cleaning if point.is_pressure else setpoints.pulsing
    value: float = getattr(section, point.value)
    return value


def effective(configured: Setpoints, adjusted: SetPointOverrides) -> Setpoints:
    """What holds: the settings file's set points, but for those changed by request."""
    if not adjusted.points:
        return configured
    points: dict[SetPoint, Any] = {each.set_point: each.value for each in adjusted.points}
    cleaning = {point.value: pa for point, pa in points.items() if point.is_pressure}
    pulsing = {point.value: s for point, s in points.items() if not point.is_pressure}
    if SetPoint.INTERVAL in points and configured.adjusting.timed_follows:
        cleaning["timed_interval_s"] = points[SetPoint.INTERVAL]
    return replace(
        configured,
        cleaning=replace(configured.cleaning, **cleaning),
        pulsing=replace(configured.pulsing, **pulsing),
    )


def propose(context: StepContext, state: State, request: ChangeSetPoints, by: str) -> Handled:
    """Hold a change until it is confirmed. The newest takes the place of one that still waits."""
    adjusted, wanted = state.set_point_overrides, request.wanted()
    for point, value in wanted.items():
        refusal = _refusal(context.configured, point, value)
        if refusal is not None:
            return state, RequestOutcome(False, refusal)
    if not _in_order(context.setpoints, wanted):
        return state, RequestOutcome(False, because(Because.LOW_NOT_BELOW_HIGH))
    points = tuple(
        PointChange(point, value_of(context.setpoints, point), value)
        for point, value in wanted.items()
        if value != value_of(context.setpoints, point)
    )
    if not points:
        return state, RequestOutcome(False, because(Because.NOTHING_TO_CHANGE))
    if adjusted.pending is not None:
        _lapse(context, adjusted.pending, because(Because.CHANGE_REPLACED))
    within_s = context.setpoints.adjusting.confirm_within_s
    until_utc_s = None if context.at.utc_s is None else context.at.utc_s + within_s
    held = PendingChange(context.next_seq, points, by, context.now_s + within_s, until_utc_s)
    reason = because(Because.CONFIRM_CHANGE, within_s=within_s)
    state = replace(state, set_point_overrides=replace(adjusted, pending=held))
    return state, RequestOutcome(True, reason, held.change, points)


def confirm(context: StepContext, state: State, request: ConfirmChange, by: str) -> Handled:
    """Put the change that is held in force, if it is the one that is meant."""
    adjusted, held = state.set_point_overrides, state.set_point_overrides.pending
    if held is None or held.change != request.change or context.now_s >= held.until_s:
        return state, RequestOutcome(False, because(Because.NO_SUCH_CHANGE, str(request.change)))
    if held.by != by:
        return state, RequestOutcome(False, because(Because.CHANGE_OF_ANOTHER, held.by))
    points = {each.set_point: each for each in adjusted.points}
    for change in held.points:
        point, configured = change.set_point, value_of(context.configured, change.set_point)
        points[point] = SetPointOverride(point, change.after, configured, by, context.at.utc_s)
    # One that is back at what the file says is the file's again.
    changed = (each for each in points.values() if each.value != each.configured)
    adjusted = SetPointOverrides(tuple(changed))
    context.setpoints = effective(context.configured, adjusted)
    book = log_book.set_points_noted(context, state.log_book, by)
    state = replace(state, set_point_overrides=adjusted, log_book=book)
    return state, RequestOutcome(True, because(Because.DONE), held.change, held.points)


def advance(context: StepContext, state: State) -> State:
    """Give up a change that nobody has confirmed in time."""
    held = state.set_point_overrides.pending
    if held is None or not context.is_due(held.until_s):
        return state
    _lapse(context, held, because(Because.NOT_CONFIRMED))
    return replace(state, set_point_overrides=SetPointOverrides(state.set_point_overrides.points))


def restart(context: StepContext, state: State) -> State:
    """After a start, perhaps with other settings. What was changed by request stays in force where
    the file still says of it what it said then, its limits still allow it, and what then holds is
    in order; else the file does. A change that waited is given up."""
    adjusted = state.set_point_overrides
    if adjusted.pending is not None:
        _lapse(context, adjusted.pending, because(Because.RESTARTED))
    points = tuple(
        each
        for each in adjusted.points
        if each.configured == value_of(context.configured, each.set_point)
        and _refusal(context.configured, each.set_point, each.value) is None
    )
    if not _in_order(context.configured, {each.set_point: each.value for each in points}):
        points = ()
    adjusted = SetPointOverrides(points)
    context.setpoints = effective(context.configured, adjusted)
    return replace(state, set_point_overrides=adjusted)


def _lapse(context: StepContext, held: PendingChange, reason: Reason) -> None:
    context.emit(ChangeLapsed(held.change, held.by, reason))


def _refusal(configured: Setpoints, point: SetPoint, value: float) -> Reason | None:
    """Why ``point`` may not be put to ``value``, whatever the others are."""
    limits = configured.adjusting
    band: tuple[float, float] | None = getattr(limits, point.value)
    if band is None:
        return because(Because.SET_POINT_FIXED, point.value)
    least, most = band
    if not least <= value <= most:
        if point.is_pressure:
            return because(Because.PRESSURE_LIMITS, point.value, least_pa=least, most_pa=most)
        return because(Because.TIME_LIMITS, point.value, least_s=least, most_s=most)
    steps = value / limits.on_time_step_s if point is SetPoint.ON_TIME else 0.0
    if abs(steps - round(steps)) > _WHOLE_STEP:
        return because(Because.ON_TIME_STEP, step_s=limits.on_time_step_s)
    return None


def _in_order(setpoints: Setpoints, wanted: dict[SetPoint, float]) -> bool:
    """Whether the low set point is still below the high one."""
    low_pa = wanted.get(SetPoint.LOW, setpoints.cleaning.low_pa)
    return low_pa < wanted.get(SetPoint.HIGH, setpoints.cleaning.high_pa)
