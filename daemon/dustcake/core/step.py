"""The one function that decides: (state, input, settings) -> what now, and why.

Theory of operation
===================

A *step* takes the state of one collector, one thing that has happened to it (an ``Input``: a poll,
the outcome of a command, a request, a wake-up, a start or a stop), and the set points. It returns
the state that follows, the commands to the outputs, the events for the record, and when it wants to
be woken. Between steps nothing is decided, and nothing is remembered outside ``State``.

*Pure* means that the same arguments give the same result and that nothing given is changed. The
core reads no clock, file, socket or random source: time is the stamp of the input. So a recorded
history gives the same decisions again, every rule can be tried without a plant, and two years of
samples are replayed in seconds.

*Order.* First the input is applied: it says what is known now. Then the parts of ``PARTS`` advance,
one after the other. Each takes the whole state and returns it with its own piece of it replaced, or
the same object where nothing changed. A part sees what those before it have made of this step, and
what those after it left in the step before; why each stands where it does is said above it. What
one part hands to a later one without its being remembered stands in the ``StepContext``. There are
two exceptions. A request is answered by what is known now, so the first two parts, which drop what
is overdue, run once more before it is. And the set points in force change within a step where a
change of them is confirmed, and at a restart: what comes after goes by the new ones.

*Commit before act.* A step commands; it never acts. The shell stores state, events and commands in
one transaction and only then carries the commands out, in order. Each outcome comes back as an
input. What is not committed is not sent, so no output ever does what the record does not say. A
command without an outcome in time counts as failed.

*Restart.* Whatever ends the daemon, the next step is ``Restarted`` on the state last stored. Every
part then says what of its piece still holds: monotonic times never do, delays begin anew, every
valve is commanded off and counts as unproved until that is reported done, and a pulse that was
under way is marked interrupted, never repeated. A run begins only after all that.

*Quiet.* Most polls lead to nothing. Decisions depend on pressures only through comparisons with
thresholds, and on time only through deadlines. So a step that leads no further can promise until
when, and between which pressures, nothing will happen (``Quiet``), and polls within a promise only
replace the sample. Each part names its thresholds for that, or says that it needs the next poll.
The promise is an abbreviation, no decision: a property test steps the same polls both ways and
compares.
"""

from collections.abc import Callable, Iterable, Sequence

from dustcake.core import apply_input, blower, log_book, maintenance, outputs, zeroing
from dustcake.core.air import use as air_use
from dustcake.core.alarms import catalogue as alarms
from dustcake.core.alarms import life as alarm_life
from dustcake.core.cleaning import pulsing, runs
from dustcake.core.commands import Command
from dustcake.core.events import AirUsed, Event, PulseFired
from dustcake.core.filter_life import ageing as filter_life
from dustcake.core.inputs import Input, PollCompleted
from dustcake.core.pulse_response import header, rows
from dustcake.core.pulse_response import observation as pulse_response
from dustcake.core.reading import Quality, Sample, interpret
from dustcake.core.record import record, replace
from dustcake.core.requests import set_point_overrides
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation import checks as signal_validation
from dustcake.core.state import Quiet, State
from dustcake.core.step_context import StepContext

Change = Callable[[StepContext, State], State]
Thresholds = Callable[[Setpoints, State], Iterable[float]]


@record
class Part:
    """One part of a step.

    ``after``: the parts it must come after. ``advance``: from the state as the parts before it have
    left it. ``restart``: what of its piece of the state outlives a restart. ``thresholds_pa`` and
    ``header_thresholds_pa``: every dP, and every header pressure, at which its answer may change.
    ``needs_next_poll``: whether it waits for the next readings, whatever they are.
    """

    name: str
    after: tuple[str, ...] = ()
    advance: Change | None = None
    restart: Change | None = None
    thresholds_pa: Thresholds | None = None
    header_thresholds_pa: Thresholds | None = None
    needs_next_poll: Callable[[StepContext, State], bool] | None = None


PARTS: tuple[Part, ...] = (
    # At a restart it says which set points are in force, and all others go by them.
    Part("set points", advance=set_point_overrides.advance, restart=set_point_overrides.restart),
    # A reading or an outcome that is overdue is not known any more, and nobody below may rest on
    # it.
    Part(
        "expiry",
        after=("set points",),
        advance=apply_input.expire,
        restart=apply_input.restart,
        needs_next_poll=apply_input.needs_next_poll,
    ),
    # Proof by a contact or by dP needs what is known now.
    Part(
        "blower",
        after=("expiry",),
        advance=blower.advance,
        restart=blower.restart,
        thresholds_pa=blower.thresholds_pa,
    ),
    # Without flow dP responds to no pulse.
    Part(
        "response",
        after=("blower",),
        advance=pulse_response.take_response,
        restart=pulse_response.restart,
    ),
    # The response to the last pulse may speak against the reading. The parts below decide on a
    # reading whose quality is settled.
    Part(
        "signal validation",
        after=("blower", "response"),
        advance=signal_validation.advance,
        restart=signal_validation.restart,
        thresholds_pa=signal_validation.thresholds_pa,
    ),
    # A zero is taken only with the blower proved off and the reading good.
    Part(
        "zeroing",
        after=("blower", "signal validation"),
        advance=zeroing.advance,
        restart=zeroing.restart,
        needs_next_poll=zeroing.needs_next_poll,
    ),
    # An all-off without an outcome is tried again.
    Part("outputs", after=("expiry",), advance=outputs.advance, restart=outputs.restart),
    # The permissives of a run are blower, reading, outputs. A zero that ends in this step ends
    # before a run may begin.
    Part(
        "runs",
        after=("blower", "signal validation", "zeroing", "outputs"),
        advance=runs.advance,
        restart=runs.restart,
        thresholds_pa=runs.thresholds_pa,
        header_thresholds_pa=runs.header_thresholds_pa,
    ),
    # By the run, and the permissives found missing for it.
    Part("pulsing", after=("runs",), advance=pulsing.advance, restart=pulsing.restart),
    # A header that falls without a pulse must not be taken for one with.
    Part(
        "observation",
        after=("pulsing",),
        advance=pulse_response.advance,
        thresholds_pa=rows.thresholds_pa,
        header_thresholds_pa=header.thresholds_pa,
        needs_next_poll=pulse_response.needs_next_poll,
    ),
    # At a restart the set points that have changed are put into the log book.
    Part("log book", after=("set points",), restart=log_book.restart),
    # By running time, zero and pulses a task is due or done.
    Part(
        "maintenance",
        after=("blower", "zeroing", "pulsing"),
        advance=maintenance.advance,
        restart=maintenance.restart,
    ),
    # A residual is read when a cycle has ended, just before the next pulse, and cleaning that did
    # not help is counted.
    Part(
        "filter life",
        after=("blower", "runs", "pulsing"),
        advance=filter_life.advance,
        restart=filter_life.restart,
    ),
    # The pulses of this step, and the header.
    Part(
        "air use",
        after=("expiry", "pulsing"),
        advance=air_use.advance,
        restart=air_use.restart,
        needs_next_poll=air_use.needs_next_poll,
    ),
    # Alarms watch what the others have found, and nobody acts on an alarm.
    Part(
        "alarms",
        after=("observation", "log book", "maintenance", "filter life", "air use"),
        advance=alarms.advance,
        restart=alarm_life.restart,
        thresholds_pa=alarms.thresholds_pa,
        header_thresholds_pa=alarms.header_thresholds_pa,
    ),
)
"""The parts of a step, in their order."""

_ADVANCE = [p.advance for p in PARTS if p.advance is not None]
_RESTART = [p.restart for p in PARTS if p.restart is not None]
_THRESHOLDS_PA = [p.thresholds_pa for p in PARTS if p.thresholds_pa is not None]
_HEADER_THRESHOLDS_PA = [
    p.header_thresholds_pa for p in PARTS if p.header_thresholds_pa is not None
]
_NEEDS_NEXT_POLL = [p.needs_next_poll for p in PARTS if p.needs_next_poll is not None]


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


def step(state: State, received: Input, setpoints: Setpoints) -> Step:
    """Decide. Pure: the same arguments give the same result, and nothing given is changed.

    ``setpoints`` are the same from one ``Restarted`` to the next: promises rest on that.
    """
    if type(received) is PollCompleted:
        kept = keep(state, received, setpoints)
        if kept is not None:
            return Step(kept, (), (), _wake_at_s(kept, setpoints))
    effective = set_point_overrides.effective(setpoints, state.set_point_overrides)
    context = StepContext(received, setpoints, effective, state)
    state = apply_input.APPLY[type(received)](context, state, received)
    if context.restart is not None:
        for restart in _RESTART:
            state = restart(context, state)
    for advance in _ADVANCE:
        state = advance(context, state)
    return _finish(context, state)


def _finish(context: StepContext, state: State) -> Step:
    """Number what has been gathered, and say until when nothing else will happen."""
    bodies = [type(event.body) for event in context.events]
    settled = not context.commands and _LEADS_NO_FURTHER.issuperset(bodies)
    quiet = _promise(context, state) if settled else None
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


def thresholds_pa(setpoints: Setpoints, state: State) -> list[float]:
    """Every dP at which any decision may change. ``setpoints``: those in force."""
    return [pa for of_part in _THRESHOLDS_PA for pa in of_part(setpoints, state)]


def _promise(context: StepContext, state: State) -> Quiet | None:
    """Every decision depends on dP only through comparisons with known thresholds, so between
    two neighbouring thresholds nothing can change until the next deadline."""
    dp_pa, setpoints = state.sample.usable_pa, context.setpoints
    if dp_pa is None or any(needs(context, state) for needs in _NEEDS_NEXT_POLL):
        return None
    band, header_band = _between(dp_pa, thresholds_pa(setpoints, state)), _OPEN
    if setpoints.header is not None:
        header = state.header
        if header is None or header.quality is not Quality.GOOD or header.pa is None:
            return None
        thresholds = [pa for of_part in _HEADER_THRESHOLDS_PA for pa in of_part(setpoints, state)]
        header_band = _between(header.pa, thresholds)
    if band is None or header_band is None:
        return None
    return Quiet(*band, *header_band, context.deadline_s)


Band = tuple[float | None, float | None]
_OPEN: Band | None = None, None


def _between(pa: float, thresholds: Sequence[float]) -> Band | None:
    """The open interval between neighbouring thresholds around ``pa``; None if on one of them."""
    if pa in thresholds:
        return None
    below = [t for t in thresholds if t < pa]
    above = [t for t in thresholds if t > pa]
    return max(below, default=None), min(above, default=None)


def keep(state: State, poll: PollCompleted, setpoints: Setpoints) -> State | None:
    """The state after a poll that a quiet promise covers; None where it does not."""
    quiet, now_s = state.quiet, poll.at.mono_s
    if quiet is None or (quiet.until_s is not None and now_s >= quiet.until_s):
        return None
    if now_s >= state.next_check_s:
        return None
    if poll.contacts is not state.contacts and poll.contacts != state.contacts:
        return None
    if (poll.at.utc_s is None) is not (state.sample.at.utc_s is None):
        return None
    pa, quality, _ = interpret(poll.dp, setpoints.dp, state.zero.offset_pa)
    if quality is not Quality.GOOD or pa is None or not quiet.covers_pa(pa):
        return None
    header, before = state.header, state.sample
    if setpoints.header is not None:
        if poll.header is None:
            return None
        header_pa, quality, _ = interpret(poll.header, setpoints.header, 0.0)
        if quality is not Quality.GOOD or header_pa is None:
            return None
        if not quiet.covers_header_pa(header_pa):
            return None
        header = Sample(poll.at, header_pa, quality)
    # Doubts that stand under a promise stand until something happens.
    sample = Sample(poll.at, pa, before.quality, before.reasons)
    return replace(state, sample=sample, header=header)
