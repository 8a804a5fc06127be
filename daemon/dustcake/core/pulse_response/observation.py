"""The part of a step that observes pulses: an observation begins when a valve is commanded, and
ends when the response is due."""

from math import sqrt

from dustcake.core.cleaning.state import Run, RunKind
from dustcake.core.pulse_response import header as headers
from dustcake.core.pulse_response import rows
from dustcake.core.pulse_response.state import (
    PulseObservation,
    PulseResponseState,
    Response,
    ValveRecord,
)
from dustcake.core.record import replace, update
from dustcake.core.setpoints import Scale
from dustcake.core.signal_validation.state import well_formed_pa
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# The first poll after a pulse shows its dip only if it comes soon.
_DIP_WITHIN_S = 2.5
# So long without a pulse, and the header has had the time to come to rest.
_RESTED_INTERVALS = 3.0
_HARDLY = 0.25
_FIRST_NOISE = 0.002  # of the span of dP, and of the header: deviations before any are known
_FIRST_HEADER_NOISE = 0.0005
# What dP of a steady collector wanders by while a pulse is observed, as a share of it (common
# practice, no source).
_WANDERS = 0.003


def begin(
    context: StepContext, state: State, run: Run | None, valve: int, interval_s: float
) -> State:
    """A valve has been commanded just now, as part of ``run``, or by itself (None)."""
    response_s = context.setpoints.pulse_response.response_s
    if response_s <= 0:
        return state
    known = _with_noise(context, state)
    dp_pa = _dp_with_flow(state)
    if dp_pa is not None and dp_pa <= 0:
        dp_pa = None
    header_pa, last_s = state.header_pa, known.last_s
    rested = last_s is None or context.now_s - last_s >= _RESTED_INTERVALS * interval_s
    if run is not None and run.pulses == 1:
        risen_pa = None if dp_pa is None or known.last_pa is None else dp_pa - known.last_pa
        known = replace(known, start_pa=dp_pa, rise_pa=risen_pa)
    due_s = context.now_s + min(interval_s, response_s)
    context.wake_by(due_s)
    rise_pa, dip_due = _rise_pa(known, run, dp_pa), header_pa is not None
    observation = PulseObservation(
        valve, context.now_s, due_s, dp_pa, header_pa, rise_pa, dip_due=dip_due
    )
    armed = known.cleaned.armed and run is not None and run.kind is not RunKind.DOWNTIME
    known = replace(
        known,
        observation=observation,
        last_s=context.now_s,
        cleaned=replace(known.cleaned, armed=armed),
    )
    known = headers.before_pulse(context, known, observation, rested=rested)
    return replace(state, pulse_response=known)


def _dp_with_flow(state: State) -> float | None:
    """dP to be compared, as long as the blower is not known to be off."""
    flow = state.blower.running is not False
    return well_formed_pa(state.sample) if flow else None


def _rise_pa(known: PulseResponseState, run: Run | None, dp_pa: float | None) -> float | None:
    """How far dP had risen before this run, as long as there must be cake to take off: in the
    first cycle of an on-demand run, and after it while dP has hardly fallen."""
    rise_pa, start_pa = known.rise_pa, known.start_pa
    if run is None or run.kind is not RunKind.ON_DEMAND:
        return None
    if rise_pa is None or start_pa is None or dp_pa is None:
        return None
    first_cycle = run.pulses <= len(known.valves)
    return rise_pa if first_cycle or start_pa - dp_pa < _HARDLY * rise_pa else None


def _with_noise(context: StepContext, state: State) -> PulseResponseState:
    """Noise from the last two readings before a pulse, where this step brought the later one."""
    known, setpoints = state.pulse_response, context.setpoints
    dp_pa = header_pa = None
    if context.polled:
        dp_pa, header_pa = context.before.sample.usable_pa, context.before.header_pa
    noise_pa2 = _noise_pa2(
        known.noise_pa2, setpoints.dp, _FIRST_NOISE, dp_pa, state.sample.usable_pa
    )
    header_noise_pa2 = known.header_noise_pa2
    if setpoints.header is not None:
        header_noise_pa2 = _noise_pa2(
            header_noise_pa2, setpoints.header, _FIRST_HEADER_NOISE, header_pa, state.header_pa
        )
    return replace(known, noise_pa2=noise_pa2, header_noise_pa2=header_noise_pa2)


def _noise_pa2(
    variance_pa2: float | None,
    scale: Scale,
    first: float,
    before_pa: float | None,
    now_pa: float | None,
) -> float:
    """Variance of single readings after one more difference of two that follow each other."""
    if variance_pa2 is None:
        variance_pa2 = (first * (scale.span_high_pa - scale.span_low_pa)) ** 2
    if before_pa is None or now_pa is None:
        return variance_pa2
    seen = min((now_pa - before_pa) ** 2 / 2, 9 * variance_pa2)
    return variance_pa2 + 0.1 * (seen - variance_pa2)


def take_response(context: StepContext, state: State) -> State:
    """See the dip, and take the response when it is due."""
    known, sample = state.pulse_response, state.sample
    observation = known.observation
    if observation is None:
        return state
    on_time_s = context.setpoints.pulsing.on_time_s
    seen_s = max(observation.began_s + on_time_s, observation.began_s + observation.dip_after_s)
    if observation.dip_due and sample.at.mono_s > seen_s:
        observation = _with_dip(observation, state.header_pa, sample.at.mono_s)
        known = replace(known, observation=observation)
    if not context.is_due(observation.due_s):
        return update(state, pulse_response=known)
    known = headers.with_recovery(known, observation)
    response = _response_to(observation, known, state)
    last_pa = known.last_pa if response.after_pa is None else response.after_pa
    known = replace(known, observation=None, last_pa=last_pa)
    known = headers.after_pulse(context, known, response)
    known = rows.no_valve_fires(context, known, response)
    known = rows.valve_and_row(context, known, response)
    cleaned = rows.with_cleaned(context.setpoints, known.cleaned, response)
    known = replace(known, cleaned=cleaned)
    return rows.no_ripple(replace(state, pulse_response=known), response)


def _with_dip(observation: PulseObservation, now_pa: float | None, at_s: float) -> PulseObservation:
    """The dip at the first poll after the pulse, if that comes soon, and at the second."""
    before_pa, after_s = observation.header_pa, at_s - observation.began_s
    if before_pa is None or now_pa is None:
        return replace(observation, dip_due=False)
    dip = (before_pa - now_pa) / before_pa
    if observation.dip is not None:
        return replace(observation, later_dip=dip, later_after_s=after_s, dip_due=False)
    if after_s > _DIP_WITHIN_S:
        return replace(observation, dip_due=False)
    return replace(observation, dip=dip, dip_after_s=after_s)


def _response_to(
    observation: PulseObservation, known: PulseResponseState, state: State
) -> Response:
    """What is read when the response to a pulse is due."""
    dp_pa, header_pa = observation.dp_pa, observation.header_pa
    after_pa = _dp_with_flow(state)
    response = rise = None
    noise = header_noise = 0.0
    if dp_pa is not None and after_pa is not None:
        response = (dp_pa - after_pa) / dp_pa
        noise = sqrt(2 * (known.noise_pa2 or 0.0) / (dp_pa * dp_pa) + _WANDERS * _WANDERS)
        rise = None if observation.rise_pa is None else observation.rise_pa / dp_pa
    dip = observation.dip
    if header_pa is not None:
        header_noise = sqrt(2 * (known.header_noise_pa2 or 0.0)) / header_pa
    if dip is not None:
        factor = headers.recovered_factor(known.header, observation.dip_after_s)
        dip, header_noise = factor * dip, factor * header_noise
    return Response(
        valve=observation.valve,
        dp_pa=dp_pa,
        after_pa=after_pa,
        response=response,
        noise=noise,
        rise=rise,
        dip=dip,
        header_noise=header_noise,
        header_pa=header_pa,
        header_after_pa=state.header_pa,
    )


def advance(context: StepContext, state: State) -> State:
    """See whether the header, or dP, is too low with no pulse to explain it."""
    if state.blower.running and context.setpoints.pulse_response.response_s > 0:
        state = update(state, pulse_response=headers.without_pulse(context, state))
    return update(state, pulse_response=rows.torn_filters(context, state))


def restart(context: StepContext, state: State) -> State:
    """After a restart: what was learnt stays, and monotonic times mean nothing."""
    known, valves = state.pulse_response, len(context.setpoints.pulsing.order)
    records = (*known.valves, *(ValveRecord() for _ in range(valves)))[:valves]
    known = replace(
        known,
        valves=records,
        observation=None,
        last_s=None,
        cleaned=replace(known.cleaned, low_s=None),
        findings=tuple(f for f in known.findings if f.valve <= valves),
    )
    return replace(state, pulse_response=known)


def needs_next_poll(_context: StepContext, state: State) -> bool:
    """How far the header fell is read at the polls just after a pulse."""
    observation = state.pulse_response.observation
    return observation is not None and observation.dip_due
