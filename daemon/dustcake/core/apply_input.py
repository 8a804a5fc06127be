"""Taking an input in: the state with what has happened in it, before anything is decided."""

from collections.abc import Callable, Mapping
from typing import Any

from dustcake.core import blower as blowers
from dustcake.core import outputs as output_proof
from dustcake.core import signal_gaps
from dustcake.core.cleaning import pulsing
from dustcake.core.events import JournalChanged, RequestAnswered, Started, Stopped
from dustcake.core.filter_life.ageing import count_pulses
from dustcake.core.inputs import (
    Contacts,
    Input,
    JournalReported,
    OperatorRequested,
    Outcome,
    OutputReported,
    PollCompleted,
    RequestRefused,
    Restarted,
    Stopping,
    Woke,
)
from dustcake.core.reading import Quality, Sample, interpret
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.requests import set_point_overrides
from dustcake.core.requests.handling import answer
from dustcake.core.signal_validation import checks
from dustcake.core.signal_validation.state import in_doubt, well_formed_pa
from dustcake.core.state import JournalState, State
from dustcake.core.step_context import StepContext


def _poll(context: StepContext, state: State, poll: PollCompleted) -> State:
    pa, quality, reasons = interpret(poll.dp, context.setpoints.dp, state.zero.offset_pa)
    zero, validation = state.zero, state.signal_validation
    if zero.under_way and quality is Quality.GOOD and pa is not None:
        # As it was before the old zero was subtracted.
        zero = replace(zero, sum_pa=zero.sum_pa + (pa + zero.offset_pa), n=zero.n + 1)
        quality, reasons = Quality.FUNCTION_CHECK, (because(Because.ZEROING),)
    before_pa = _before_pa(context, state)
    sample = Sample(poll.at, pa, quality, reasons)
    if quality is Quality.GOOD and pa is not None:
        is_steady = checks.steady(state.blower, context.now_s) and poll.contacts.blower_running in (
            None,
            state.blower.running,
        )
        validation, why = checks.jump(context, validation, before_pa, pa, is_steady=is_steady)
        sample = in_doubt(validation.doubts, poll.at, pa)
        if why is not None:
            sample = Sample(poll.at, pa, Quality.OUT_OF_SPECIFICATION, (why,))
    header = None
    if context.setpoints.header is not None and poll.header is not None:
        header = Sample(poll.at, *interpret(poll.header, context.setpoints.header, 0.0))
    # A jump that awaits confirmation has been compared with what was read before it.
    context.earlier_pa = before_pa if state.signal_validation.jump is None else None
    line = signal_gaps.polled(
        context.setpoints, state.line, (state.sample, state.header), (sample, header), poll.contacts
    )
    checks.record_quality(context, state.sample, sample)
    return replace(
        state,
        sample=sample,
        header=header,
        contacts=poll.contacts,
        zero=zero,
        signal_validation=validation,
        line=line,
    )


def _before_pa(context: StepContext, state: State) -> float | None:
    """What dP was read at last, also where a lost reply came since; None where it is too long ago
    to be compared with."""
    pa, gap = well_formed_pa(state.sample), state.line.dp
    if pa is not None:
        return pa
    is_late = gap.since_s is None or context.now_s >= gap.since_s + context.setpoints.stale_after_s
    return None if is_late else gap.pa


def _report(context: StepContext, state: State, report: OutputReported) -> State:
    if report.command_id == state.outputs.off_id:
        return replace(state, outputs=output_proof.reported(context, state.outputs, report))
    if report.command_id == state.blower.command_id:
        return replace(state, blower=blowers.reported(context, state.blower, report))
    flight = state.pulsing.in_flight
    if flight is None or report.command_id != flight.command_id:
        return state  # of a command that was given up: its time-out has been dealt with
    before, state = state, pulsing.reported(context, state, report)
    if report.outcome is not Outcome.DONE:
        return state
    fired = sum(state.pulsing.counts) - sum(before.pulsing.counts)
    return count_pulses(context, state, fired)


def _journal(context: StepContext, state: State, report: JournalReported) -> State:
    fault = None if report.writable else report.detail
    if (fault is None) is not (state.journal.fault is None):
        context.emit(JournalChanged(report.writable, report.detail))
    return replace(state, journal=JournalState(fault))


def _start(context: StepContext, state: State, start: Restarted) -> State:
    context.emit(Started(start.downtime_s))
    settings_mode = context.configured.cleaning.mode
    return replace(
        state,
        started_s=context.now_s,
        stopping=False,
        mode=state.mode if settings_mode is state.settings_mode else settings_mode,
        settings_mode=settings_mode,
    )


def _stop(context: StepContext, state: State, _stopping: Stopping) -> State:
    context.emit(Stopped())
    return replace(state, stopping=True, outputs=output_proof.secure(context, state.outputs))


def _request(context: StepContext, state: State, requested: OperatorRequested) -> State:
    # By what is known now, not by what has gone stale.
    state = expire(context, set_point_overrides.advance(context, state))
    return answer(context, state, requested)


def _refused(context: StepContext, state: State, refusal: RequestRefused) -> State:
    id_, what, by, why = refusal.request_id, refusal.request, refusal.by, refusal.reason
    context.emit(RequestAnswered(id_, what, by, False, why, identity=refusal.identity))
    return state


def _woke(_context: StepContext, state: State, _woke: Woke) -> State:
    return state


def restart(context: StepContext, state: State) -> State:
    """After a restart nothing has been read."""
    return replace(
        state,
        sample=Sample(context.at, None, Quality.FAILURE, (because(Because.NO_SAMPLE_YET),)),
        header=None,
        contacts=Contacts(),
        line=signal_gaps.restarted(state.line, context.now_s),
    )


def expire(context: StepContext, state: State) -> State:
    """What was waited for too long: a reading, or the outcome of a command."""
    sample = state.sample
    if state.relies_on_poll and context.now_s >= sample.at.mono_s + context.setpoints.stale_after_s:
        reason = because(Because.STALE, stale_after_s=context.setpoints.stale_after_s)
        stale = Sample(sample.at, None, Quality.FAILURE, (reason,))
        checks.record_quality(context, sample, stale)
        line = signal_gaps.stale(context.setpoints, state.line, sample.at.mono_s)
        state = replace(state, sample=stale, header=None, contacts=Contacts(), line=line)
    flight = state.pulsing.in_flight
    if flight is not None and context.now_s >= flight.due_s:
        late = OutputReported(context.at, flight.command_id, Outcome.FAILED, "no outcome in time")
        state = _report(context, state, late)
    return state


def needs_next_poll(context: StepContext, state: State) -> bool:
    """What is held for a lost reply is soon dropped."""
    return any(context.holds(gap) for _, gap in state.line.contacts)


APPLY: Mapping[type[Input], Callable[[StepContext, State, Any], State]] = {
    PollCompleted: _poll,
    OutputReported: _report,
    OperatorRequested: _request,
    RequestRefused: _refused,
    JournalReported: _journal,
    Restarted: _start,
    Stopping: _stop,
    Woke: _woke,
}
"""What each kind of input makes of the state."""
