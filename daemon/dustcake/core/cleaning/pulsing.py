"""Which valve fires next, and when. One command at a time, never two valves."""

from dustcake.core import outputs as output_proof
from dustcake.core.cleaning.runs import ALWAYS, lacking
from dustcake.core.cleaning.state import InFlight, PulsingState, Run, RunKind
from dustcake.core.commands import FireValve, SetDemand
from dustcake.core.events import DemandSet, PulseFailed, PulseFired, PulseInterrupted
from dustcake.core.inputs import Outcome, OutputReported
from dustcake.core.pulse_response import observation
from dustcake.core.record import replace, update
from dustcake.core.setpoints import OutputKind, Setpoints
from dustcake.core.state import State
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
    pulsing, run, settings = state.pulsing, state.cleaning.run, context.setpoints.pulsing
    held = run is None or lacking(run.kind, context.missing) is not None
    if pulsing.in_flight is not None:
        context.wake_by(pulsing.in_flight.due_s)
        return _cut_short(context, state, pulsing.in_flight)
    if settings.kind is OutputKind.DEMAND_CONTACT:
        return update(state, pulsing=_demand(context, pulsing, closed=not held))
    if run is None:
        return state
    if not context.is_due(pulsing.last_s + interval_s(context.setpoints, run.kind)) or held:
        return state
    run = replace(run, pulses=run.pulses + 1, last_pulse_s=context.now_s)
    state = replace(state, cleaning=replace(state.cleaning, run=run))
    state = fire(context, state, settings.order[pulsing.next_index], run)
    next_index = (pulsing.next_index + 1) % len(settings.order)
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


def _cut_short(context: StepContext, state: State, flight: InFlight) -> State:
    """Command every valve off, once, where one may be energised and what forbids that is missing.
    What only withholds the next pulse, and a run that ends in good order, let the pulse under way
    take its time."""
    forbidden = any(not p.holds_only and p.name in ALWAYS for p in context.missing)
    if flight.valve is None or flight.cut or not forbidden:
        return state
    pulsing = replace(state.pulsing, in_flight=replace(flight, cut=True))
    return replace(state, pulsing=pulsing, outputs=output_proof.secure(context, state.outputs))


def _demand(context: StepContext, pulsing: PulsingState, closed: bool) -> PulsingState:
    if closed is pulsing.demand_closed:
        return pulsing
    if pulsing.retry_s is not None and not context.is_due(pulsing.retry_s):
        return pulsing
    due_s = context.now_s + context.setpoints.pulsing.report_timeout_s
    context.wake_by(due_s)
    command_id = context.command(SetDemand, closed)
    return replace(pulsing, in_flight=InFlight(command_id, None, closed, due_s))


def reported(context: StepContext, state: State, report: OutputReported) -> State:
    """The outcome of the command in flight. A pulse that was not carried out as commanded is no
    evidence of anything."""
    pulsing, flight = state.pulsing, state.pulsing.in_flight
    assert flight is not None
    if report.outcome is not Outcome.DONE:
        state = replace(state, pulse_response=replace(state.pulse_response, observation=None))
    went_well = report.outcome in (Outcome.DONE, Outcome.ENDED_EARLY)
    again = None if went_well or flight.valve else context.now_s + context.setpoints.outputs_retry_s
    pulsing = replace(pulsing, in_flight=None, retry_s=again)
    if not went_well:
        return _failed(context, replace(state, pulsing=pulsing), flight, report)
    if flight.valve is None:
        context.emit(DemandSet(flight.closed))
        pulsing = replace(pulsing, demand_closed=flight.closed, failures=0)
        return replace(state, pulsing=pulsing)
    counts = _counted(pulsing.counts, flight.valve)
    context.emit(
        PulseFired(
            flight.valve,
            context.setpoints.pulsing.on_time_s,
            counts[flight.valve - 1],
            state.sample.usable_pa,
            report.outcome is Outcome.ENDED_EARLY,
        )
    )
    pulsing = replace(pulsing, counts=counts, last_valve=flight.valve, failures=0)
    return replace(state, pulsing=pulsing)


def _failed(context: StepContext, state: State, flight: InFlight, report: OutputReported) -> State:
    detail = report.detail or report.outcome.value
    if flight.valve is not None:
        context.emit(PulseFailed(flight.valve, detail))
    if report.outcome is Outcome.WITHHELD and flight.closed:
        return state  # the outputs were not commanded, so they are not at fault
    # The state of a demand contact is not known; the all-off that follows opens it.
    pulsing = replace(state.pulsing, demand_closed=False, failures=state.pulsing.failures + 1)
    stuck = report.outcome is Outcome.STUCK_ON
    outputs = output_proof.failed(context, state.outputs, detail, stuck)
    return replace(state, pulsing=pulsing, outputs=outputs)
