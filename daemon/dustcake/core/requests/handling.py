"""What becomes of a request: accepted and acted on, or refused with the reason; never twice."""

from typing import assert_never

from dustcake.core import log_book, zeroing
from dustcake.core.alarms import requests as alarm_requests
from dustcake.core.events import ModeSelected, RequestAnswered
from dustcake.core.filter_life import residual as filter_life
from dustcake.core.filter_life.replacement import ReplacementState
from dustcake.core.inputs import OperatorRequested, RequestRefused
from dustcake.core.pulse_response import reset_baseline as renewed
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.requests import set_point_overrides, single_pulse
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
    RunBlower,
    SelectMode,
    SetZero,
    Verdict,
)
from dustcake.core.setpoints import BlowerRequest
from dustcake.core.signal_validation.doubts import JUMPS, cleared
from dustcake.core.state import Answer, State
from dustcake.core.step_context import Turn

REMEMBERED = 32  # answers kept, so that a repeated request is recognised


def name_of(request: Request) -> str:
    """What a request is called where it is asked for and answered."""
    if isinstance(request, HandleAlarm):
        return request.action.value
    return _NAMES[type(request)]


_NAMES = {
    SelectMode: "mode",
    SetZero: "zero",
    Acknowledge: "acknowledge",
    RunBlower: "blower",
    PulseValve: "pulse",
    RecordFilterChange: "filter_change",
    RecordEntry: "record",
    ChangeSetPoints: "set_points",
    ConfirmChange: "confirm",
}

# Those that act when they are asked.
_Single = (
    SelectMode
    | SetZero
    | Acknowledge
    | HandleAlarm
    | RunBlower
    | PulseValve
    | RecordFilterChange
    | RecordEntry
)


def answer(turn: Turn, state: State, asked: OperatorRequested) -> State:
    """Act on a request, or not, and say which."""
    for before in state.answers:
        if _is_same(before, asked):
            verdict = Verdict(before.accepted, before.reason, before.change, before.points)
            if before.request not in (None, asked.request):
                verdict = Verdict(False, because(Because.ID_USED))
            _tell(turn, asked, verdict)
            return state
    state, verdict = _act(turn, state, asked)
    _tell(turn, asked, verdict)
    answered = Answer(
        asked.request_id,
        verdict.accepted,
        verdict.reason,
        asked.by,
        asked.request,
        verdict.change,
        verdict.points,
    )
    return replace(state, answers=(*state.answers, answered)[-REMEMBERED:])


def _is_same(before: Answer, asked: OperatorRequested) -> bool:
    """Ids are the asker's own: two of them may use the same."""
    if before.request_id != asked.request_id:
        return False
    return before.request is None or before.by == asked.by


def _tell(turn: Turn, asked: OperatorRequested, verdict: Verdict) -> None:
    turn.emit(
        RequestAnswered(
            asked.request_id,
            name_of(asked.request),
            asked.by,
            verdict.accepted,
            verdict.reason,
            verdict.change,
            verdict.points,
            asked.identity,
        )
    )


def refused(turn: Turn, asked: RequestRefused) -> None:
    """Put on record what was asked for and not let in."""
    answered = RequestAnswered(
        asked.request_id, asked.request, asked.by, False, asked.reason, identity=asked.identity
    )
    turn.emit(answered)


def _set_points(
    turn: Turn, state: State, request: ChangeSetPoints | ConfirmChange, by: str
) -> tuple[State, Verdict]:
    if isinstance(request, ChangeSetPoints):
        adjusted, verdict = set_point_overrides.propose(turn, state.adjusted, request, by)
        return replace(state, adjusted=adjusted), verdict
    adjusted, verdict = set_point_overrides.confirm(turn, state.adjusted, request, by)
    book = state.log_book
    if verdict.accepted:
        book = log_book.set_points_noted(turn, book, by)
    return replace(state, adjusted=adjusted, log_book=book), verdict


def _act(turn: Turn, state: State, asked: OperatorRequested) -> tuple[State, Verdict]:
    if isinstance(asked.request, ChangeSetPoints | ConfirmChange):
        return _set_points(turn, state, asked.request, asked.by)
    state, accepted, reason = _do(turn, state, asked.request, asked.by)
    return state, Verdict(accepted, reason)


def _explained(state: State) -> State:
    """What has been done explains that dP is another."""
    trust = replace(state.trust, doubts=cleared(state.trust.doubts, *JUMPS))
    return replace(state, trust=trust)


def _do(turn: Turn, state: State, request: _Single, by: str) -> tuple[State, bool, Reason]:
    if isinstance(request, SelectMode):
        if request.mode is not state.mode:
            turn.emit(ModeSelected(request.mode, by))
        return replace(state, mode=request.mode), True, because(Because.DONE)
    if isinstance(request, SetZero):
        zero, accepted, reason = zeroing.request(
            turn,
            state.zero,
            request,
            by,
            state.blower,
            state.sample,
            cleaning=state.cleaning.run is not None,
        )
        return replace(state, zero=zero), accepted, reason
    if isinstance(request, Acknowledge | HandleAlarm):
        changed, accepted, reason = alarm_requests.handle(turn, state.alarms, request, by)
        return replace(state, alarms=changed), accepted, reason
    if isinstance(request, RunBlower):
        if turn.setpoints.blower.request is not BlowerRequest.HAND:
            return state, False, because(Because.BLOWER_NOT_BY_HAND)
        blower = replace(state.blower, by_hand=request.run)
        return replace(state, blower=blower), True, because(Because.DONE)
    if isinstance(request, PulseValve):
        return single_pulse.fire(turn, state, request.valve)
    if isinstance(request, RecordFilterChange):
        book, accepted, reason = log_book.filters_changed(
            turn, state.log_book, request, by, state.blower
        )
        if accepted:
            # What has run while dP stayed too high has run on the filters that are gone.
            life = filter_life.filters_changed(turn, state.life, state.blower, request.valves)
            worn = ReplacementState(fresh=True)
            diagnosis = renewed.filters_changed(turn, state.diagnosis)
            state = replace(state, log_book=book, worn=worn, life=life, diagnosis=diagnosis)
            state = _explained(state)
        return state, accepted, reason
    if isinstance(request, RecordEntry):
        pulses = sum(state.pulsing.counts)
        book, accepted, reason = log_book.entered(
            turn, state.log_book, request, by, state.blower, pulses
        )
        if accepted and request.entry is Entry.DAMPER_MOVED:
            diagnosis = renewed.flow_changed(turn, state.diagnosis)
            life = filter_life.level_moved(state.life)
            state = _explained(replace(state, diagnosis=diagnosis, life=life))
        return replace(state, log_book=book), accepted, reason
    assert_never(request)
