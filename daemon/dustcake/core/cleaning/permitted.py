"""The permissives as they are in this step."""

from dustcake.core.blower import BlowerState
from dustcake.core.cleaning.permissives import Permits, permissives
from dustcake.core.outputs import OutputsState
from dustcake.core.requests.kinds import Mode
from dustcake.core.state import State
from dustcake.core.step_context import StepContext


def permitted(
    context: StepContext, state: State, blower: BlowerState, outputs: OutputsState
) -> Permits:
    """All permissives of ``state``, with what this step has made of blower and outputs, and those
    that are missing."""
    return permissives(
        context.setpoints,
        sample=state.sample,
        header=state.header,
        contacts=state.contacts,
        blower=blower,
        outputs=outputs,
        journal_fault=state.journal.fault,
        settling=not context.is_due(state.started_s + context.setpoints.settle_s),
        flow_waived=context.setpoints.blower.timed_unproved and state.mode is Mode.TIMED,
    )
