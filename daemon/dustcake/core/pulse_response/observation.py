"""Looks at pulses: begun when a valve is commanded, ended when its answer is due."""

from dustcake.core.cleaning.state import Run, RunKind
from dustcake.core.pulse_response.header import (
    after_pulse,
    before_pulse,
    weak_thresholds_pa,
    without_pulse,
)
from dustcake.core.pulse_response.response import answer_to, first_noise_pa2, noisier
from dustcake.core.pulse_response.ripple import judge_dips, judge_ripple
from dustcake.core.pulse_response.rows import judge_rows
from dustcake.core.pulse_response.state import DiagnosisState, Look, ValveRecord
from dustcake.core.pulse_response.torn import cleaned, judge_torn, torn_thresholds_pa
from dustcake.core.reading import Sample
from dustcake.core.record import replace, update
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.doubts import is_well_formed
from dustcake.core.signal_validation.state import TrustState
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# The first poll after a pulse shows its dip only if it comes soon.
_DIP_WITHIN_S = 2.5
# So long without a pulse, and the header has had the time to come to rest.
_RESTED_INTERVALS = 3.0
_HARDLY = 0.25
_FIRST_HEADER_NOISE = 0.0005  # of the header's span


def begin(
    context: StepContext, state: State, run: Run | None, valve: int, interval_s: float
) -> State:
    """A valve has been commanded just now, as part of ``run``, or by itself (None)."""
    diagnosis = _begun(context, state, run, valve, interval_s)
    return replace(state, diagnosis=diagnosis)


def _begun(
    context: StepContext, state: State, run: Run | None, valve: int, interval_s: float
) -> DiagnosisState:
    diagnosis, sample, header = state.diagnosis, state.sample, state.header
    flow = state.blower.running is not False
    response_s = context.setpoints.diagnosis.response_s
    if response_s <= 0:
        return diagnosis
    diagnosis = _noise(context, diagnosis, sample, header)
    dp_pa = sample.pa if flow and is_well_formed(sample) else None
    if dp_pa is not None and dp_pa <= 0:
        dp_pa = None
    header_pa = None if header is None else header.usable_pa
    last_s = diagnosis.last_s
    rested = last_s is None or context.now_s - last_s >= _RESTED_INTERVALS * interval_s
    if run is not None and run.pulses == 1:
        risen_pa = None
        if dp_pa is not None and diagnosis.last_pa is not None:
            risen_pa = dp_pa - diagnosis.last_pa
        diagnosis = replace(diagnosis, start_pa=dp_pa, rise_pa=risen_pa)
    rise_pa = _rise_pa(diagnosis, run, dp_pa)
    due_s = context.now_s + min(interval_s, response_s)
    context.wake_by(due_s)
    look = Look(
        valve, context.now_s, due_s, dp_pa, header_pa, rise_pa, dip_due=header_pa is not None
    )
    armed = diagnosis.cleaned.armed and run is not None and run.kind is not RunKind.DOWNTIME
    diagnosis = replace(
        diagnosis,
        look=look,
        last_s=context.now_s,
        cleaned=replace(diagnosis.cleaned, armed=armed),
    )
    return before_pulse(context, diagnosis, look, rested=rested)


def _rise_pa(diagnosis: DiagnosisState, run: Run | None, dp_pa: float | None) -> float | None:
    """How far dP had risen before this run, as long as there must be cake to take off: in the
    first cycle of an on-demand run, and after it while dP has hardly fallen."""
    rise_pa, start_pa = diagnosis.rise_pa, diagnosis.start_pa
    if run is None or run.kind is not RunKind.ON_DEMAND:
        return None
    if rise_pa is None or start_pa is None or dp_pa is None:
        return None
    first_cycle = run.pulses <= len(diagnosis.valves)
    return rise_pa if first_cycle or start_pa - dp_pa < _HARDLY * rise_pa else None


def _noise(
    context: StepContext, diagnosis: DiagnosisState, sample: Sample, header: Sample | None
) -> DiagnosisState:
    """Noise from the last two readings before a pulse, where this step brought the later one."""
    noise_pa2, header_noise_pa2 = diagnosis.noise_pa2, diagnosis.header_noise_pa2
    if noise_pa2 is None:
        noise_pa2 = first_noise_pa2(context.setpoints)
    if header_noise_pa2 is None and context.setpoints.header is not None:
        scale = context.setpoints.header
        header_noise_pa2 = (_FIRST_HEADER_NOISE * (scale.span_high_pa - scale.span_low_pa)) ** 2
    if not context.polled:
        return replace(diagnosis, noise_pa2=noise_pa2, header_noise_pa2=header_noise_pa2)
    earlier, earlier_header = context.before.sample, context.before.header
    if earlier.usable_pa is not None and sample.usable_pa is not None:
        noise_pa2 = noisier(noise_pa2, sample.usable_pa - earlier.usable_pa)
    if header_noise_pa2 is not None and header is not None and earlier_header is not None:
        now_pa, then_pa = header.usable_pa, earlier_header.usable_pa
        if now_pa is not None and then_pa is not None:
            header_noise_pa2 = noisier(header_noise_pa2, now_pa - then_pa)
    return replace(diagnosis, noise_pa2=noise_pa2, header_noise_pa2=header_noise_pa2)


def take_answer(context: StepContext, state: State) -> State:
    """See the dip, and take the answer when it is due."""
    diagnosis, trust = _answered(context, state)
    return update(state, diagnosis=diagnosis, trust=trust)


def _answered(context: StepContext, state: State) -> tuple[DiagnosisState, TrustState]:
    diagnosis, trust, sample, header = state.diagnosis, state.trust, state.sample, state.header
    look = diagnosis.look
    if look is None:
        return diagnosis, trust
    if look.dip_due and sample.at.mono_s > look.began_s + context.setpoints.pulsing.on_time_s:
        look = _with_dip(look, header, sample.at.mono_s)
        diagnosis = replace(diagnosis, look=look)
    if not context.is_due(look.due_s):
        return diagnosis, trust
    answer = answer_to(look, diagnosis, sample, header, flow=state.blower.running is not False)
    diagnosis = replace(diagnosis, look=None)
    if answer.after_pa is not None:
        diagnosis = replace(diagnosis, last_pa=answer.after_pa)
    diagnosis = after_pulse(context, diagnosis, answer)
    diagnosis = judge_dips(context, diagnosis, answer)
    diagnosis = judge_rows(context, diagnosis, answer)
    record = cleaned(context.setpoints, diagnosis.cleaned, answer)
    diagnosis = replace(diagnosis, cleaned=record)
    return judge_ripple(context, diagnosis, trust, answer)


def _with_dip(look: Look, header: Sample | None, at_s: float) -> Look:
    now_pa = None if header is None else header.usable_pa
    dip = None
    if look.header_pa is not None and now_pa is not None and at_s <= look.began_s + _DIP_WITHIN_S:
        dip = (look.header_pa - now_pa) / look.header_pa
    return replace(look, dip=dip, dip_due=False)


def void(diagnosis: DiagnosisState) -> DiagnosisState:
    """A pulse that was not carried out as commanded is no evidence of anything."""
    return diagnosis if diagnosis.look is None else replace(diagnosis, look=None)


def advance(context: StepContext, state: State) -> State:
    """See whether the header, or dP, is too low with no pulse to explain it."""
    diagnosis = state.diagnosis
    if state.blower.running and context.setpoints.diagnosis.response_s > 0:
        before = context.before.header if context.polled else None
        diagnosis = without_pulse(context, diagnosis, before, state.header)
    return update(state, diagnosis=judge_torn(context, replace(state, diagnosis=diagnosis)))


def restart(context: StepContext, state: State) -> State:
    """After a restart: what was learnt stays, and monotonic times mean nothing."""
    diagnosis, valves = state.diagnosis, len(context.setpoints.pulsing.order)
    known = (*diagnosis.valves, *(ValveRecord() for _ in range(valves)))[:valves]
    diagnosis = replace(
        diagnosis,
        valves=known,
        look=None,
        last_s=None,
        cleaned=replace(diagnosis.cleaned, low_s=None),
        findings=tuple(f for f in diagnosis.findings if f.valve <= valves),
    )
    return replace(state, diagnosis=diagnosis)


def thresholds_pa(setpoints: Setpoints, state: State) -> tuple[float, ...]:
    """Every dP at which the answer of ``advance`` changes."""
    return torn_thresholds_pa(setpoints, state.diagnosis.cleaned)


def header_thresholds_pa(_setpoints: Setpoints, state: State) -> tuple[float, ...]:
    """Every header pressure at which it does, beside the lower limit of the settings."""
    return weak_thresholds_pa(state.diagnosis.header)
