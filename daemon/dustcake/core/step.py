"""The one function that decides: (state, input, settings) -> what now, and why."""

from dustcake.core import blower as blowers
from dustcake.core import log_book, zeroing
from dustcake.core import outputs as output_proof
from dustcake.core.air import use as air_use
from dustcake.core.alarms import catalogue as alarms
from dustcake.core.apply_input import absorb, expire
from dustcake.core.blower import BlowerState
from dustcake.core.cleaning import pace as cleaning_pace
from dustcake.core.cleaning import pulsing
from dustcake.core.cleaning import runs as cleanings
from dustcake.core.cleaning.permitted import permitted
from dustcake.core.cleaning.pulsing import PulsingState
from dustcake.core.cleaning.runs import Run
from dustcake.core.commands import Command
from dustcake.core.decision import decision
from dustcake.core.events import AirUsed, Event, PulseFired
from dustcake.core.filter_life import replacement
from dustcake.core.filter_life import residual as filter_life
from dustcake.core.inputs import Input, PollCompleted
from dustcake.core.pulse_response import observation as looking
from dustcake.core.pulse_response.header import without_pulse
from dustcake.core.pulse_response.state import DiagnosisState
from dustcake.core.pulse_response.torn import judge_torn
from dustcake.core.quiet import keep, promise
from dustcake.core.reasons import Because, because
from dustcake.core.record import record, replace
from dustcake.core.requests.set_point_overrides import effective
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.validate import believed, is_pulsed, judge
from dustcake.core.signal_validation.zero_check import rezeroed
from dustcake.core.state import Decision, Quiet, State
from dustcake.core.step_context import StepContext


@record
class Step:
    """What one input led to.

    ``commands`` are to be carried out in order, after all of this has been committed; the outcome
    of each is to come back as an input. ``wake_at_s``: monotonic time at which ``Woke`` is due if
    nothing else comes before; None when nothing is.
    """

    state: State
    commands: tuple[Command, ...]
    events: tuple[Event, ...]
    wake_at_s: float | None

    @property
    def decision(self) -> Decision:
        """What is being done and why."""
        return self.state.decision

    @property
    def quiet(self) -> Quiet | None:
        """Within what nothing will happen; None where no promise is made."""
        return self.state.quiet


def step(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Decide. Pure: the same arguments give the same result, and nothing given is changed.

    ``setpoints`` are the same from one ``Restarted`` to the next: promises rest on that.
    """
    if type(happened) is PollCompleted:
        kept = keep(state, happened, setpoints)
        if kept is not None:
            return Step(kept, (), (), _wake_at_s(kept, setpoints))
    present = effective(setpoints, state.adjusted)
    context = StepContext(
        happened.at, setpoints, present, state.next_seq, state.next_command, state.line
    )
    return _finish(context, _evaluate(context, state, absorb(context, state, happened)))


def _evaluate(context: StepContext, before: State, state: State) -> State:
    """Everything that follows from the state as it is now, in a fixed order. ``before``: as it was
    when this step began."""
    state = expire(context, state)
    context.line = state.line
    blower = blowers.prove(context, state.blower, state.contacts, state.sample.usable_pa)
    state = _doubt(context, state, blower)
    dp_pa = state.sample.usable_pa
    blower = blowers.request_run(context, blower, state.contacts)
    under_way = state.cleaning.run is not None
    zero = zeroing.follow_up(context, state.zero, blower, state.sample, cleaning=under_way)
    proof = output_proof.follow_up(context, state.outputs)
    permits, missing = permitted(context, state, blower, proof)
    cleaning = cleanings.follow_demand(context, state.cleaning, state.pulsing.demand_closed)
    if state.stopping:
        stopping = because(Because.STOPPING)
        cleaning = cleanings.end_run(context, cleaning, stopping, state.sample)
    else:
        cleaning = cleanings.decide(context, cleaning, state.mode, state.sample, blower, missing)
        if cleaning.reason.code is Because.DOWNTIME_DONE:
            blower = replace(blower, run_s=0.0)
    pulses, run = pulsing.pulse(context, state.pulsing, cleaning.run, missing)
    diagnosis = _diagnose(context, state, pulses, run, blower)
    cleaning = cleaning if run is cleaning.run else replace(cleaning, run=run)
    if pulsing.must_end_now(pulses, missing):
        proof, pulses = output_proof.secure(context, proof), pulsing.cut(pulses)
    # Only dP with proved flow says anything about the filters.
    flow_pa = dp_pa if blower.running and blowers.is_known(context) else None
    with_air = pulses.demand_closed and replacement.good_air(context, state.header)
    worn = replacement.track(context, state.worn, flow_pa, with_air)
    pace = cleaning_pace.follow(context, state.pace, state.cleaning.run, run)
    book = log_book.follow(context, state.log_book, blower, sum(pulses.counts))
    life = filter_life.follow(
        context,
        state.life,
        state.cleaning.run,
        run,
        ended_by=cleaning.reason.code,
        pulsing=pulses,
        blower=blower,
        sample=state.sample,
        zero_offset_pa=zero.offset_pa,
    )
    air = air_use.follow(
        context, state.air, before.pulsing, pulses, header=state.header, blower=blower
    )
    state = replace(
        state,
        blower=blower,
        zero=zero,
        cleaning=cleaning,
        pace=pace,
        pulsing=pulses,
        outputs=proof,
        worn=worn,
        log_book=book,
        life=life,
        air=air,
        trust=rezeroed(state.trust) if zero.offset_pa != state.zero.offset_pa else state.trust,
        diagnosis=diagnosis,
        decision=decision(state.mode, cleaning, permits, missing),
    )
    return alarms.advance(context, state)


def _doubt(context: StepContext, state: State, blower: BlowerState) -> State:
    """The state with what the answers to pulses, and the reading itself, make of the reading."""
    flow = blower.running is not False
    diagnosis, trust = looking.follow(
        context, state.diagnosis, state.trust, state.sample, state.header, flow=flow
    )
    pulsed = is_pulsed(state.cleaning.run, state.pulsing, context.now_s)
    trust = judge(context, trust, state.sample, blower, pulsing=pulsed)
    sample = believed(context, state.sample, trust)
    if sample is state.sample and trust is state.trust and diagnosis is state.diagnosis:
        return state
    return replace(state, sample=sample, trust=trust, diagnosis=diagnosis)


def _diagnose(
    context: StepContext, state: State, pulses: PulsingState, run: Run | None, blower: BlowerState
) -> DiagnosisState:
    """What this step adds: a pulse to look at, or a header or dP that is too low without one."""
    diagnosis, flight = state.diagnosis, pulses.in_flight
    if flight is not state.pulsing.in_flight and flight is not None and run is not None:
        if flight.valve is not None:
            diagnosis = looking.begin(
                context,
                diagnosis,
                run,
                flight.valve,
                pulsing.interval_s(context.setpoints, run.kind),
                state.sample,
                state.header,
                flow=blower.running is not False,
            )
    elif blower.running and context.setpoints.diagnosis.response_s > 0:
        diagnosis = without_pulse(context, diagnosis, context.earlier_header, state.header)
    return judge_torn(context, diagnosis, state.sample.usable_pa, blower)


def _finish(context: StepContext, state: State) -> Step:
    """Number what has been gathered, and say until when nothing else will happen."""
    quiet = None
    bodies = [type(event.body) for event in context.events]
    if not context.commands and _LEADS_NO_FURTHER.issuperset(bodies):
        quiet = promise(context, state)
    state = replace(
        state,
        next_seq=context.next_seq,
        next_command=context.next_command,
        deadline_s=context.deadline_s,
        quiet=quiet,
    )
    wake_at_s = _wake_at_s(state, context.setpoints)
    return Step(state, tuple(context.commands), tuple(context.events), wake_at_s)


_LEADS_NO_FURTHER = frozenset({PulseFired, AirUsed})
"""All that these lead to is decided in the step that reports them; another event may lead to more
in the next."""


def _wake_at_s(state: State, setpoints: Setpoints) -> float | None:
    """The next deadline, or when what was read goes stale if no other poll comes."""
    due_s = state.deadline_s
    if not state.relies_on_poll:
        return due_s
    stale_s = state.sample.at.mono_s + setpoints.stale_after_s
    return stale_s if due_s is None or stale_s < due_s else due_s
