"""What becomes of a request: accepted and acted on, or refused with the reason; never twice."""

from typing import assert_never

from dustcake.core import alarm_requests, filter_life, log_book, single_pulse, zeroing
from dustcake.core.diagnosis import renewed
from dustcake.core.events import ModeSelected, RequestAnswered
from dustcake.core.inputs import OperatorRequested
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace
from dustcake.core.replacement import ReplacementState
from dustcake.core.requests import (
    Acknowledge,
    Entry,
    HandleAlarm,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RunBlower,
    SelectMode,
    SetZero,
)
from dustcake.core.setpoints import BlowerRequest
from dustcake.core.state import Answer, State
from dustcake.core.trust.doubts import JUMPS, cleared
from dustcake.core.turn import Turn

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
}


def answer(turn: Turn, state: State, asked: OperatorRequested) -> State:
    """Act on a request, or not, and say which."""
    for before in state.answers:
        if before.request_id == asked.request_id:
            _tell(turn, asked, before.accepted, before.reason)
            return state
    state, accepted, reason = _act(turn, state, asked)
    _tell(turn, asked, accepted, reason)
    kept = (*state.answers, Answer(asked.request_id, accepted, reason))[-REMEMBERED:]
    return replace(state, answers=kept)


def _tell(turn: Turn, asked: OperatorRequested, accepted: bool, reason: Reason) -> None:
    name = name_of(asked.request)
    turn.emit(RequestAnswered(asked.request_id, name, asked.by, accepted, reason))


def _explained(state: State) -> State:
    """What has been done explains that dP is another."""
    trust = replace(state.trust, doubts=cleared(state.trust.doubts, *JUMPS))
    return replace(state, trust=trust)


def _act(turn: Turn, state: State, asked: OperatorRequested) -> tuple[State, bool, Reason]:
    request, by = asked.request, asked.by
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
