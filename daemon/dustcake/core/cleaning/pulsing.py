"""Which valve fires next, and when. One command at a time, never two valves."""

from dustcake.core import outputs as output_proof
from dustcake.core.cleaning.permissives import Permissive
from dustcake.core.cleaning.runs import ALWAYS, Kind, Run, lacks
from dustcake.core.events import DemandSet, PulseFailed, PulseFired, PulseInterrupted
from dustcake.core.inputs import Outcome, OutputReported
from dustcake.core.outputs import OutputsState
from dustcake.core.record import record, replace
from dustcake.core.setpoints import OutputKind, Setpoints
from dustcake.core.step_context import StepContext


@record
class InFlight:
    """A command whose outcome is not known yet. ``valve`` None: the demand contact; ``cut``: every
    valve has been commanded off since."""

    command_id: int
    valve: int | None
    closed: bool
    due_s: float
    cut: bool = False


@record
class PulsingState:
    """``next_index`` into the row order; ``last_s``: when the last pulse began, or may have begun
    before a start; ``counts``: pulses of each valve, valve 1 first; ``last_valve``: the last that
    fired; ``failures``: pulses that failed since; ``demand_closed``: what the sequencer board was
    last told with success; ``retry_s``: telling it has gone wrong, and is not tried again before
    then."""

    counts: tuple[int, ...]
    last_s: float
    next_index: int = 0
    last_valve: int | None = None
    failures: int = 0
    in_flight: InFlight | None = None
    demand_closed: bool = False
    retry_s: float | None = None


def restarted(context: StepContext, pulsing: PulsingState) -> PulsingState:
    """After a restart: a pulse that was commanded is marked interrupted and counted, never
    repeated, and the header gets a full interval before the next."""
    flight, valves = pulsing.in_flight, len(context.setpoints.pulsing.order)
    counts = (*pulsing.counts, *([0] * valves))[:valves]
    if flight is not None and flight.valve is not None:
        context.emit(PulseInterrupted(flight.valve))
        counts = _counted(counts, flight.valve)
    return PulsingState(
        counts=counts,
        next_index=pulsing.next_index % valves,
        last_s=context.now_s,
        last_valve=pulsing.last_valve,
        failures=pulsing.failures,
    )


def _counted(counts: tuple[int, ...], valve: int) -> tuple[int, ...]:
    return tuple(n + (i == valve) for i, n in enumerate(counts, start=1))


def interval_s(setpoints: Setpoints, kind: Kind) -> float:
    """Time from pulse to pulse in a run of this kind."""
    if kind is Kind.TIMED:
        return setpoints.cleaning.timed_interval_s
    if kind is Kind.FALLBACK:
        return setpoints.cleaning.fallback_interval_s
    return setpoints.pulsing.interval_s


def pulse(
    context: StepContext, pulsing: PulsingState, run: Run | None, missing: tuple[Permissive, ...]
) -> tuple[PulsingState, Run | None]:
    """Command the next pulse when it is due, or keep the demand contact as the run wants it.
    ``missing``: permissives."""
    held = run is None or bool(lacks(run.kind, missing))
    if context.setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT:
        return _demand(context, pulsing, closed=not held), run
    if pulsing.in_flight is not None:
        context.wake_by(pulsing.in_flight.due_s)
        return pulsing, run
    if run is None:
        return pulsing, run
    if not context.is_due(pulsing.last_s + interval_s(context.setpoints, run.kind)) or held:
        return pulsing, run
    order = context.setpoints.pulsing.order
    pulsing = command(context, pulsing, order[pulsing.next_index])
    pulsing = replace(pulsing, next_index=(pulsing.next_index + 1) % len(order))
    return pulsing, replace(run, pulses=run.pulses + 1, last_pulse_s=context.now_s)


def command(context: StepContext, pulsing: PulsingState, valve: int) -> PulsingState:
    """Command one pulse of ``valve``."""
    settings = context.setpoints.pulsing
    command_id = context.fire(valve, settings.on_time_s)
    due_s = context.now_s + settings.on_time_s + settings.report_timeout_s
    context.wake_by(due_s)
    return replace(
        pulsing, last_s=context.now_s, in_flight=InFlight(command_id, valve, True, due_s)
    )


def must_end_now(pulsing: PulsingState, missing: tuple[Permissive, ...]) -> bool:
    """A valve may be energised, and what forbids that has come up among the ``missing``. What only
    withholds the next pulse, and a run that ends in good order, let the pulse under way take its
    time."""
    flight = pulsing.in_flight
    if flight is None or flight.valve is None or flight.cut:
        return False
    return any(not p.holds_only and p.name in ALWAYS for p in missing)


def cut(pulsing: PulsingState) -> PulsingState:
    """Every valve has been commanded off: once is enough for the pulse in flight."""
    assert pulsing.in_flight is not None
    return replace(pulsing, in_flight=replace(pulsing.in_flight, cut=True))


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
    return replace(pulsing, in_flight=InFlight(context.demand(closed), None, closed, due_s))


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
        # The outputs were not asked, so they are not at fault.
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
