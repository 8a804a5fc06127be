"""Whether the blower is proved running or proved off, and the optional request that it run."""

from dustcake.core.commands import SetBlowerRun
from dustcake.core.events import BlowerChanged, BlowerRunSet
from dustcake.core.inputs import Contacts, Outcome, OutputReported
from dustcake.core.record import replace, update
from dustcake.core.setpoints import BlowerRequest, Setpoints
from dustcake.core.state import BlowerState, State
from dustcake.core.step_context import StepContext

# Without a contact, flow once proved by dP stays proved down to this part of the proof.
PROOF_KEPT = 0.5


def restart(context: StepContext, state: State) -> State:
    """After a restart proof is taken anew and the output is commanded again. A request by hand is
    not kept: nothing that rotates may start by itself because power has come back."""
    blower = state.blower
    return replace(
        state,
        blower=BlowerState(
            since_s=context.now_s,
            run_s=blower.run_until_s(context.last_s),
            announced=blower.announced,
            barred=blower.barred,
            total_s=blower.total_until_s(context.last_s),
        ),
    )


def advance(context: StepContext, state: State) -> State:
    """Take the proof, then keep the run output as it should be."""
    blower = _proved(context, state)
    return update(state, blower=_request_run(context, blower, state.contacts))


def thresholds_pa(setpoints: Setpoints, _state: State) -> tuple[float, ...]:
    """Every dP at which the proof changes."""
    return setpoints.blower.flow_proof_pa, setpoints.blower.flow_proof_pa * PROOF_KEPT


def is_known(context: StepContext, state: State) -> bool:
    """Whether what the blower is proved by is known now, and its proof not merely held."""
    contact = context.setpoints.fitted.blower_running
    return (state.line.blower_running if contact else state.line.dp).since_s is None


def runs_now(context: StepContext, state: State) -> bool:
    """Whether the blower is proved running by what is known now."""
    return bool(state.blower.running) and is_known(context, state)


def _proved(context: StepContext, state: State) -> BlowerState:
    """Take the proof from the contact; without one, from dP, which can prove only that it runs. One
    lost reply leaves the blower as it was: its time counts on, and no delay begins anew."""
    blower, dp_pa = state.blower, state.sample.usable_pa
    if context.setpoints.fitted.blower_running:
        running, gap = state.contacts.blower_running, state.line.blower_running
    else:
        gap = state.line.dp
        proof_pa = context.setpoints.blower.flow_proof_pa
        needed_pa = proof_pa * PROOF_KEPT if blower.running else proof_pa
        running = True if dp_pa is not None and dp_pa >= needed_pa else None
    if running is blower.running or (running is None and context.holds(gap)):
        return blower
    context.emit(BlowerChanged(running))
    return replace(
        blower,
        running=running,
        since_s=context.now_s,
        run_s=blower.run_until_s(context.now_s),
        total_s=blower.total_until_s(context.now_s),
    )


def _request_run(context: StepContext, blower: BlowerState, contacts: Contacts) -> BlowerState:
    """Keep the run output as it should be: never on with smoke or the stop input."""
    if context.setpoints.blower.request is BlowerRequest.NONE:
        return blower
    blower, wanted, why = _wanted(context, _given_up(context, blower), contacts)
    if contacts.smoke or contacts.stop:
        wanted, why = False, "smoke" if contacts.smoke else "stop input"
        blower = _barred(blower)
    if blower.due_s is not None and not context.is_due(blower.due_s):
        return blower
    if wanted is None or wanted is blower.requested:
        return blower
    if wanted is not blower.announced:
        context.emit(BlowerRunSet(wanted, why))
    due_s = context.now_s + context.setpoints.pulsing.report_timeout_s
    context.wake_by(due_s)
    command_id = context.command(SetBlowerRun, wanted)
    return replace(blower, requested=wanted, announced=wanted, command_id=command_id, due_s=due_s)


def _barred(blower: BlowerState) -> BlowerState:
    """When the smoke has cleared, or the stop is released, it takes a new request."""
    blower = replace(blower, by_hand=False, barred=True)
    # Switching off waits neither for the outcome of switching on nor, after that has failed, for
    # the next try: the output may be on all the same.
    return replace(blower, command_id=None, due_s=None) if blower.announced else blower


def _given_up(context: StepContext, blower: BlowerState) -> BlowerState:
    """A command without an outcome in time counts as failed."""
    if blower.command_id is None or blower.due_s is None or context.now_s < blower.due_s:
        return blower
    return _failed(context, blower, "no outcome in time")


def _wanted(
    context: StepContext, blower: BlowerState, contacts: Contacts
) -> tuple[BlowerState, bool | None, str]:
    """What the run output should be, None to leave it; and why."""
    settings = context.setpoints.blower
    if settings.request is BlowerRequest.HAND:
        return blower, blower.by_hand, "by hand"
    if contacts.process_running is None:
        wanted = False if blower.barred else blower.requested
        return blower, wanted, "process equipment not known"
    if contacts.process_running:
        blower = replace(blower, process_off_s=None)
        return blower, not blower.barred, "process equipment running"
    blower = replace(blower, barred=False)
    if blower.process_off_s is None:
        blower = replace(blower, process_off_s=context.now_s)
    assert blower.process_off_s is not None
    until_s = blower.process_off_s + settings.run_on_s
    # Running on clears the ducts after the process has stopped; it never starts a blower.
    if blower.requested and context.now_s < until_s:
        context.wake_by(until_s)
        return blower, True, "running on after the process"
    return blower, False, "process equipment stopped"


def reported(context: StepContext, blower: BlowerState, report: OutputReported) -> BlowerState:
    """The outcome of a command to the run output; after a failure it is tried again later."""
    if report.outcome is Outcome.DONE:
        return replace(blower, command_id=None, due_s=None, fault="")
    return _failed(context, blower, report.detail or report.outcome.value)


def _failed(context: StepContext, blower: BlowerState, fault: str) -> BlowerState:
    due_s = context.now_s + context.setpoints.outputs_retry_s
    return replace(blower, command_id=None, requested=None, due_s=due_s, fault=fault)
