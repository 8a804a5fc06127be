"""What becomes of a request: accepted and acted on, or refused with the reason; never twice."""

from collections.abc import Callable, Mapping
from typing import Any

from dustcake.core import log_book, zeroing
from dustcake.core.alarms import life as alarm_life
from dustcake.core.cleaning.permissives import permissives
from dustcake.core.cleaning.pulsing import fire
from dustcake.core.cleaning.runs import ALWAYS
from dustcake.core.events import ModeSelected, RequestAnswered
from dustcake.core.filter_life import ageing as filter_life
from dustcake.core.filter_life.state import ReplacementState
from dustcake.core.inputs import OperatorRequested
from dustcake.core.pulse_response.findings import reset_baseline, reset_cleaned
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.requests import set_point_overrides
from dustcake.core.requests.definitions import name_of
from dustcake.core.requests.kinds import (
    Acknowledge,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RequestOutcome,
    RunBlower,
    SelectMode,
    SetZero,
)
from dustcake.core.setpoints import BlowerRequest, OutputKind
from dustcake.core.signal_validation.state import JUMPS, cleared
from dustcake.core.state import Handled, RecordedAnswer, State
from dustcake.core.step_context import StepContext

REMEMBERED = 32  # answers kept, so that a repeated request is recognised


def answer(context: StepContext, state: State, requested: OperatorRequested) -> State:
    """Act on a request, or not, and put the answer on record."""
    request, by = requested.request, requested.by
    answered = next((each for each in state.answers if _is_same(each, requested)), None)
    if answered is None:
        state, outcome = HANDLERS[type(request)](context, state, request, by)
        answered = RecordedAnswer(
            requested.request_id,
            outcome.accepted,
            outcome.reason,
            by,
            request,
            outcome.change,
            outcome.points,
        )
        state = replace(state, answers=(*state.answers, answered)[-REMEMBERED:])
    elif answered.request not in (None, request):
        answered = RecordedAnswer(requested.request_id, False, because(Because.ID_USED))
    context.emit(
        RequestAnswered(
            requested.request_id,
            name_of(request),
            by,
            answered.accepted,
            answered.reason,
            answered.change,
            answered.points,
            requested.identity,
        )
    )
    return state


def _is_same(before: RecordedAnswer, requested: OperatorRequested) -> bool:
    """Ids are the requester's own: two of them may use the same."""
    if before.request_id != requested.request_id:
        return False
    return before.request is None or before.by == requested.by


def _select_mode(context: StepContext, state: State, request: SelectMode, by: str) -> Handled:
    if request.mode is not state.mode:
        context.emit(ModeSelected(request.mode, by))
    return replace(state, mode=request.mode), RequestOutcome(True, because(Because.DONE))


def _handle_alarm(
    context: StepContext, state: State, request: Acknowledge | HandleAlarm, by: str
) -> Handled:
    alarms, accepted, reason = alarm_life.handle(context, state.alarms, request, by)
    return replace(state, alarms=alarms), RequestOutcome(accepted, reason)


def _run_blower(context: StepContext, state: State, request: RunBlower, _by: str) -> Handled:
    if context.setpoints.blower.request is not BlowerRequest.HAND:
        return state, RequestOutcome(False, because(Because.BLOWER_NOT_BY_HAND))
    blower = replace(state.blower, by_hand=request.run)
    return replace(state, blower=blower), RequestOutcome(True, because(Because.DONE))


def _pulse_valve(context: StepContext, state: State, request: PulseValve, _by: str) -> Handled:
    """One pulse of one valve. It needs what every pulse needs, but neither a reading nor the
    blower: valves are proved before the blower is first started. The order of the rows stays."""
    valve = request.valve
    refusal = _pulse_refusal(context, state, valve)
    if refusal is not None:
        return state, RequestOutcome(False, refusal)
    state = fire(context, state, valve, None)
    return state, RequestOutcome(True, because(Because.PULSE_STARTED, valve=valve))


def _pulse_refusal(context: StepContext, state: State, valve: int) -> Reason | None:
    settings = context.setpoints.pulsing
    if settings.kind is OutputKind.DEMAND_CONTACT:
        return because(Because.PULSE_BY_SEQUENCER)
    if valve not in settings.order:
        return because(Because.NO_SUCH_VALVE, valves=len(settings.order))
    if state.stopping:
        return because(Because.STOPPING)
    if state.zero.under_way:
        return because(Because.PULSE_WHILE_ZEROING)
    if state.cleaning.run is not None:
        return because(Because.PULSE_WHILE_CLEANING)
    _, missing = permissives(context, state)
    for permit in missing:
        if permit.name in ALWAYS:
            return permit.reason
    too_soon = context.now_s < state.pulsing.last_s + settings.interval_s
    if state.pulsing.in_flight is not None or too_soon:
        return because(Because.PULSE_TOO_SOON, interval_s=settings.interval_s)
    return None


def _record_filter_change(
    context: StepContext, state: State, request: RecordFilterChange, by: str
) -> Handled:
    state, outcome = log_book.filters_changed(context, state, request, by)
    if outcome.accepted:
        # What has run while dP stayed too high has run on the filters that are gone.
        state = replace(
            state,
            replacement=ReplacementState(fresh=True),
            filter_life=filter_life.filters_changed(
                context, state.filter_life, state.blower, request.valves
            ),
            pulse_response=reset_baseline(context, state.pulse_response),
        )
        state = _jump_explained(state)
    return state, outcome


def _record_entry(context: StepContext, state: State, request: RecordEntry, by: str) -> Handled:
    state, outcome = log_book.entered(context, state, request, by)
    if outcome.accepted and request.entry is Entry.DAMPER_MOVED:
        response = reset_cleaned(context, state.pulse_response)
        life = filter_life.level_moved(state.filter_life)
        state = _jump_explained(replace(state, pulse_response=response, filter_life=life))
    return state, outcome


def _jump_explained(state: State) -> State:
    """What has been done explains that dP is another."""
    validation = state.signal_validation
    doubts = cleared(validation.doubts, *JUMPS)
    return replace(state, signal_validation=replace(validation, doubts=doubts))


HANDLERS: Mapping[type[Request], Callable[[StepContext, State, Any, str], Handled]] = {
    SelectMode: _select_mode,
    SetZero: zeroing.request,
    Acknowledge: _handle_alarm,
    HandleAlarm: _handle_alarm,
    RunBlower: _run_blower,
    PulseValve: _pulse_valve,
    RecordFilterChange: _record_filter_change,
    RecordEntry: _record_entry,
    ChangeSetPoints: set_point_overrides.propose,
    ConfirmChange: set_point_overrides.confirm,
}
"""What becomes of each kind of request."""
