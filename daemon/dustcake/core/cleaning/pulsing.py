"""Which valve fires next, and when. One command at a time, never two valves."""

from dustcake.core import outputs as output_proof
from dustcake.core.cleaning.runs import ALWAYS, lacks
from dustcake.core.cleaning.state import InFlight, Permissive, PulsingState, Run, RunKind
from dustcake.core.commands import FireValve, SetDemand
from dustcake.core.events import DemandSet, PulseFailed, PulseFired, PulseInterrupted
from dustcake.core.inputs import Outcome, OutputReported
from dustcake.core.pulse_response import observation
from dustcake.core.record import replace
from dustcake.core.setpoints import OutputKind, Setpoints
from dustcake.core.state import OutputsState, State
from dustcake.core.step_context import StepContext


def restart(context: StepContext, state: State) -> State:
    """After a restart: a pulse that was commanded is marked interrupted and counted, never
    repeated, and the header gets a full interval before the next."""
    pulsing = state.pulsing
    flight, valves = pulsing.in_flight, len(context.setpoints.pulsing.order)
    counts = (*pulsing.counts, *([0] * valves))[:valves]
    if flight is not None and flight.valve is not None:
        context.emit(PulseInterrupted(flight.valve))
        counts = _counted(counts, flight.valve)
    pulsing = PulsingState(
        counts=counts,
        next_index=pulsing.next_index % valves,
        last_s=context.now_s,
        last_valve=pulsing.last_valve,
        failures=pulsing.failures,
    )
    return replace(state, pulsing=pulsing)


def _counted(counts: tuple[int, ...], valve: int) -> tuple[int, ...]:
    return tuple(n + (i == valve) for i, n in enumerate(counts, start=1))


def interval_s(setpoints: Setpoints, kind: RunKind) -> float:
    """Time from pulse to pulse in a run of this kind."""
    if kind is RunKind.TIMED:
        return setpoints.cleaning.timed_interval_s
    if kind is RunKind.FALLBACK:
        return setpoints.cleaning.fallback_interval_s
    return setpoints.pulsing.interval_s


def advance(context: StepContext, state: State) -> State:
    """Command the next pulse when it is due, or keep the demand contact as the run wants it; and
    end a pulse at once that must not go on."""
    pulsing, run = state.pulsing, state.cleaning.run
    held = run is None or bool(lacks(run.kind, context.missing))
    if context.setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT:
        return replace(state, pulsing=_demand(context, pulsing, closed=not held))
    if pulsing.in_flight is not None:
        context.wake_by(pulsing.in_flight.due_s)
        return _cut(context, state) if _must_end_now(pulsing, context.missing) else state
    if run is None:
        return state
    if not context.is_due(pulsing.last_s + interval_s(context.setpoints, run.kind)) or held:
        return state
    order = context.setpoints.pulsing.order
    run = replace(run, pulses=run.pulses + 1, last_pulse_s=context.now_s)
    state = replace(state, cleaning=replace(state.cleaning, run=run))
    state = fire(context, state, order[pulsing.next_index], run)
    next_index = (pulsing.next_index + 1) % len(order)
    return replace(state, pulsing=replace(state.pulsing, next_index=next_index))


def fire(context: StepContext, state: State, valve: int, run: Run | None) -> State:
    """Command one pulse of ``valve``, as part of ``run`` or by itself (None)."""
    settings = context.setpoints.pulsing
    command_id = context.command(FireValve, valve, settings.on_time_s)
    due_s = context.now_s + settings.on_time_s + settings.report_timeout_s
    context.wake_by(due_s)
    in_flight = InFlight(command_id, valve, True, due_s)
    pulsing = replace(state.pulsing, last_s=context.now_s, in_flight=in_flight)
    rest_s = settings.interval_s if run is None else interval_s(context.setpoints, run.kind)
    return observation.begin(context, replace(state, pulsing=pulsing), run, valve, rest_s)


def _must_end_now(pulsing: PulsingState, missing: tuple[Permissive, ...]) -> bool:
    """A valve may be energised, and what forbids that has come up among the ``missing``. What only
    withholds the next pulse, and a run that ends in good order, let the pulse under way take its
    time."""
    flight = pulsing.in_flight
    if flight is None or flight.valve is None or flight.cut:
        return False
    return any(not p.holds_only and p.name in ALWAYS for p in missing)


def _cut(context: StepContext, state: State) -> State:
    """Command every valve off: once is enough for the pulse in flight."""
    flight = state.pulsing.in_flight
    assert flight is not None
    pulsing = replace(state.pulsing, in_flight=replace(flight, cut=True))
    outputs = output_proof.secure(context, state.outputs)
    return replace(state, pulsing=pulsing, outputs=outputs)


def _demand(context: StepContext, pulsing: PulsingState, closed: bool) -> PulsingState:
    if pulsing.in_flight is not None:
        context.wake_by(pulsing.in_flight.due_s)
        return pulsing
    if closed is pulsing.demand_closed:
        return pulsing
    if pulsing.retry_s is not None and not context.is_due(pulsing.retry_s):
        return pulsing
    due_s = context.now_s + context.setpoints.pulsing.report_timeout_s
    context.wake_by(due_s)
    command_id = context.command(SetDemand, closed)
    return replace(pulsing, in_flight=InFlight(command_id, None, closed, due_s))


def reported(
    context: StepContext,
    pulsing: PulsingState,
    outputs: OutputsState,
    report: OutputReported,
    dp_pa: float | None,
) -> tuple[PulsingState, OutputsState]:
    """The outcome of the command in flight."""
    flight = pulsing.in_flight
    assert flight is not None
    pulsing = replace(pulsing, in_flight=None)
    went_well = report.outcome in (Outcome.DONE, Outcome.ENDED_EARLY)
    detail = report.detail or report.outcome.value
    stuck = report.outcome is Outcome.STUCK_ON
    if flight.valve is None:
        retry_s = None if went_well else context.now_s + context.setpoints.outputs_retry_s
        pulsing = replace(pulsing, retry_s=retry_s)
    if report.outcome is Outcome.WITHHELD and flight.closed:
        # The outputs were not commanded, so they are not at fault.
        if flight.valve is not None:
            context.emit(PulseFailed(flight.valve, detail))
        return pulsing, outputs
    if flight.valve is None:
        if went_well:
            context.emit(DemandSet(flight.closed))
            return replace(pulsing, demand_closed=flight.closed, failures=0), outputs
        # The contact's state is not known; the all-off that follows opens it.
        pulsing = replace(pulsing, demand_closed=False, failures=pulsing.failures + 1)
        return pulsing, output_proof.failed(context, outputs, detail, stuck)
    if not went_well:
        context.emit(PulseFailed(flight.valve, detail))
        pulsing = replace(pulsing, failures=pulsing.failures + 1)
        return pulsing, output_proof.failed(context, outputs, detail, stuck)
    counts = _counted(pulsing.counts, flight.valve)
    pulsing = replace(pulsing, counts=counts, last_valve=flight.valve, failures=0)
    context.emit(
        PulseFired(
            flight.valve,
            context.setpoints.pulsing.on_time_s,
            pulsing.counts[flight.valve - 1],
            dp_pa,
            report.outcome is Outcome.ENDED_EARLY,
        )
    )
    return pulsing, outputs
