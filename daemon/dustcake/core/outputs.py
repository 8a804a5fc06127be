"""Whether the outputs do as commanded, and getting them to a proved off when they do not."""

from dustcake.core.commands import AllValvesOff
from dustcake.core.events import OutputsChanged
from dustcake.core.inputs import Outcome, OutputReported
from dustcake.core.record import replace, update
from dustcake.core.state import OutputsState, State
from dustcake.core.step_context import StepContext


def secure(context: StepContext, outputs: OutputsState) -> OutputsState:
    """Command every valve off, now; not proved until that is reported done."""
    due_s = context.now_s + context.setpoints.pulsing.report_timeout_s
    return replace(outputs, proved=False, off_id=context.command(AllValvesOff), due_s=due_s)


def failed(context: StepContext, outputs: OutputsState, detail: str, stuck: bool) -> OutputsState:
    """A command went wrong: say so, and go for a proved off."""
    return secure(context, _at_fault(context, outputs, detail, stuck))


def reported(context: StepContext, outputs: OutputsState, report: OutputReported) -> OutputsState:
    """The outcome of an all-off: proved, or to be tried again."""
    if report.outcome is Outcome.DONE:
        if outputs.fault:
            context.emit(OutputsChanged(True, ""))
        return OutputsState(proved=True)
    stuck = report.outcome is Outcome.STUCK_ON
    retry_s = context.now_s + context.setpoints.outputs_retry_s
    faulty = _at_fault(context, outputs, report.detail or report.outcome.value, stuck)
    return replace(faulty, proved=False, off_id=None, due_s=retry_s)


def _at_fault(
    context: StepContext, outputs: OutputsState, detail: str, stuck: bool
) -> OutputsState:
    """Told once, when the outputs are lost, and again if a valve then proves stuck."""
    if not outputs.fault or (stuck and not outputs.stuck):
        context.emit(OutputsChanged(False, detail))
    return replace(outputs, fault=detail, stuck=stuck or outputs.stuck)


def restart(context: StepContext, state: State) -> State:
    """After a restart nothing is proved: every valve off, first of all."""
    return replace(state, outputs=secure(context, OutputsState()))


def advance(context: StepContext, state: State) -> State:
    """Try again when an all-off has failed, or has not been answered in time."""
    outputs = state.outputs
    if outputs.due_s is None:
        return state
    if context.now_s >= outputs.due_s:
        if outputs.off_id is not None:
            outputs = reported(
                context,
                outputs,
                OutputReported(context.at, outputs.off_id, Outcome.FAILED, "no outcome in time"),
            )
        else:
            outputs = secure(context, outputs)
    assert outputs.due_s is not None
    context.wake_by(outputs.due_s)
    return update(state, outputs=outputs)
