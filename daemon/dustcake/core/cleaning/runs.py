"""When to clean, and why: which kind of cleaning run is wanted now.

Runs start and stop here; the single pulses inside a run are ``pulsing``'s. In every kind of run
one full cycle is one pulse of each valve.
"""

from enum import StrEnum
from math import ceil, inf

from dustcake.core.blower import BlowerState, is_known
from dustcake.core.cleaning.closed_time import ClosedTime
from dustcake.core.cleaning.permissives import Permissive
from dustcake.core.events import CleaningStarted, CleaningStopped
from dustcake.core.reading import Sample
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import record, replace
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import Cleaning, OnBadReading, OutputKind
from dustcake.core.step_context import StepContext


class Kind(StrEnum):
    """Kinds of cleaning run."""

    ON_DEMAND = "on_demand"
    TIMED = "timed"
    FALLBACK = "fallback"  # timed, because the reading cannot be trusted
    DOWNTIME = "downtime"  # after the blower has stopped and spun down


# Which permissives each kind needs. Every kind needs those of ALWAYS.
ALWAYS = frozenset(
    {
        "no_smoke",
        "no_stop",
        "door_shut",
        "header_pressure",
        "outputs_healthy",
        "journal_writable",
        "settled",
    }
)
NEEDS = {
    Kind.ON_DEMAND: ALWAYS | {"valid_reading", "blower_running"},
    Kind.TIMED: ALWAYS | {"blower_running"},
    Kind.FALLBACK: ALWAYS | {"blower_running"},
    Kind.DOWNTIME: ALWAYS,
}


def lacks(kind: Kind, missing: tuple[Permissive, ...]) -> tuple[Permissive, ...]:
    """What of all that is ``missing`` a run of this kind needs. Downtime cleaning needs the blower
    off, so it lacks ``blower_running`` only where nobody knows whether the blower runs."""
    if not missing:
        return missing
    return tuple(
        p
        for p in missing
        if p.name in NEEDS[kind]
        or (kind is Kind.DOWNTIME and p.name == "blower_running" and p.holds_only)
    )


@record
class Run:
    """A cleaning run under way. ``last_cycle``: the low set point has been reached, and the run
    ends when this many full cycles have run. What it has run so far: ``pulses`` commanded, the
    last at ``last_pulse_s``, or for a sequencer board how long the demand contact has been
    ``closed``."""

    kind: Kind
    started_s: float
    pulses: int = 0
    last_pulse_s: float | None = None
    last_cycle: int | None = None
    closed: ClosedTime = ClosedTime()


@record
class CleaningState:
    """``high_since_s``: dP has been at or above the high set point since then, and no run on its
    way to the low one.
    Held while dP is not known for less than ``stale_after_s``.
    ``bad_since_s``: the reading has not been usable since then. ``resting_until_s``: after a run
    that reached its limit of cycles; ``not_effective``: it did, and dP has not been down to low at
    proved flow since.
    """

    run: Run | None = None
    high_since_s: float | None = None
    bad_since_s: float | None = None
    resting_until_s: float | None = None
    not_effective: bool = False
    reason: Reason = Reason(Because.NO_SAMPLE_YET)


Wanted = tuple[Kind | None, Reason]


def restarted(context: StepContext, cleaning: CleaningState, last_s: float) -> CleaningState:
    """After a restart no run is under way and every delay starts again; a rest is kept whole.
    ``last_s``: the last time known on the clock as it was before."""
    run, rest_s = cleaning.run, context.setpoints.cleaning.rest_s
    if run is not None:
        duration_s = max(0.0, last_s - run.started_s)
        because_restarted = because(Because.RESTARTED)
        context.emit(CleaningStopped(run.kind, None, because_restarted, run.pulses, duration_s))
    return CleaningState(
        resting_until_s=None if cleaning.resting_until_s is None else context.now_s + rest_s,
        not_effective=cleaning.not_effective,
        reason=because(Because.RESTARTED),
    )


def follow_demand(context: StepContext, cleaning: CleaningState, closed: bool) -> CleaningState:
    """Count the time for which the demand contact is closed in the run under way."""
    run = cleaning.run
    if run is None or closed is (run.closed.since_s is not None):
        return cleaning
    return replace(cleaning, run=replace(run, closed=run.closed.follow(context.now_s, closed)))


def has_run(context: StepContext, run: Run, cycles: int) -> bool:
    """Whether a run has come to this many full cycles: counted in pulses, or by the rated time of
    a sequencer board, which reports nothing. Asks to be woken when the time decides. While pulses
    are withheld no time counts: what has not been pulsed cannot have failed to clean."""
    pulsing = context.setpoints.pulsing
    if pulsing.kind is not OutputKind.DEMAND_CONTACT:
        return run.pulses >= cycles * len(pulsing.order)
    return context.is_due(run.closed.reaches_s(cycles * pulsing.sequencer_cycle_s))


def decide(
    context: StepContext,
    cleaning: CleaningState,
    mode: Mode,
    sample: Sample,
    blower: BlowerState,
    missing: tuple[Permissive, ...],
) -> CleaningState:
    """Start, keep or stop a run; the reason says why, whichever it is. ``missing``: permissives."""
    flow_proved = blower.running is True and is_known(context)
    cleaning = _track(context, cleaning, sample.usable_pa, flow_proved=flow_proved)
    kind, reason = _wanted(context, cleaning, mode, sample.usable_pa, blower)
    if kind is not None:
        lacking = _lacking(kind, missing)
        if lacking is not None and lacking.reason is not None:
            # What ends a run also keeps one from starting; what only withholds pulses lets a run
            # that is under way wait.
            under_way = cleaning.run is not None and cleaning.run.kind is kind
            waits = lacking.holds_only and not _flow_is_lost(
                context, cleaning, blower, lacking.reason
            )
            if not (waits and under_way):
                kind = None
            if lacking.name != "valid_reading":  # why a run waits for it has been said better
                reason = lacking.reason
    after = _switch(context, replace(cleaning, reason=reason), kind, sample)
    ended = cleaning.run is not None and after.run is None
    if ended and reason.code is Because.LOW_REACHED and after.high_since_s is not None:
        # While the last cycle was finished dP has risen to the high set point again.
        return decide(context, after, mode, sample, blower, missing)
    return after


def _lacking(kind: Kind, missing: tuple[Permissive, ...]) -> Permissive | None:
    """The permissive to act on, if one is lacking: one that ends runs before one that holds."""
    lacking = lacks(kind, missing)
    if not lacking:
        return None
    return next((p for p in lacking if not p.holds_only), lacking[0])


def _flow_is_lost(
    context: StepContext, cleaning: CleaningState, blower: BlowerState, lacking: Reason
) -> bool:
    """Whether it is dP's proof of flow that is ``lacking``, and for as long as a lost reading is
    waited for: a stopped blower then, not one odd reading."""
    if lacking.code is not Because.FLOW_NOT_PROVED:
        return False
    unproved_s = inf if blower.running else blower.since_s
    bad_s = inf if cleaning.bad_since_s is None else cleaning.bad_since_s
    return context.is_due(min(unproved_s, bad_s) + context.setpoints.stale_after_s)


def end_run(
    context: StepContext, cleaning: CleaningState, reason: Reason, sample: Sample
) -> CleaningState:
    """Stop whatever run is under way, for ``reason``."""
    return _switch(context, replace(cleaning, reason=reason), None, sample)


def _track(
    context: StepContext, cleaning: CleaningState, dp_pa: float | None, *, flow_proved: bool
) -> CleaningState:
    """Remember since when the reading has been bad or high, and that low has been reached."""
    settings, run, now_s = context.setpoints.cleaning, cleaning.run, context.now_s
    bad_since_s = high_since_s = None
    line = context.line.dp
    not_effective, resting_until_s = cleaning.not_effective, cleaning.resting_until_s
    if dp_pa is None:
        bad_since_s = now_s if cleaning.bad_since_s is None else cleaning.bad_since_s
        high_since_s = cleaning.high_since_s if context.holds(line) else None
    elif dp_pa >= settings.high_pa:
        if not _goes_down(run):
            high_since_s = line.begun(cleaning.high_since_s, now_s)
    elif dp_pa <= settings.low_pa:
        if run is not None and run.last_cycle is None:
            last = _cycle_under_way(context, run) if settings.finish_cycle else 0
            run = replace(run, last_cycle=last)
        if flow_proved:  # new filters, or a mended valve: cleaning is effective again
            not_effective, resting_until_s = False, None
    if resting_until_s is not None and context.is_due(resting_until_s):
        resting_until_s = None
    return CleaningState(
        run, high_since_s, bad_since_s, resting_until_s, not_effective, cleaning.reason
    )


def thresholds_pa(settings: Cleaning, cleaning: CleaningState) -> tuple[float, ...]:
    """Of the two set points those that anything depends on now: loading filters pass the low one,
    and filters being cleaned the high one, with every ripple many times."""
    run = cleaning.run
    low_counts = run is not None or cleaning.not_effective or cleaning.resting_until_s is not None
    return (
        *((settings.low_pa,) if low_counts else ()),
        *(() if _goes_down(run) else (settings.high_pa,)),
    )


def _goes_down(run: Run | None) -> bool:
    """Whether a run goes on to the low set point, however high dP is meanwhile."""
    return run is not None and run.kind is Kind.ON_DEMAND and run.last_cycle is None


def _cycle_under_way(context: StepContext, run: Run) -> int:
    """Number, from 1, of the cycle a run is in; what has just ended is still under way."""
    pulsing = context.setpoints.pulsing
    if pulsing.kind is OutputKind.DEMAND_CONTACT:
        return ceil(run.closed.at(context.now_s) / pulsing.sequencer_cycle_s)
    return ceil(run.pulses / len(pulsing.order))


def _wanted(
    context: StepContext,
    cleaning: CleaningState,
    mode: Mode,
    dp_pa: float | None,
    blower: BlowerState,
) -> Wanted:
    settings, run = context.setpoints.cleaning, cleaning.run
    if mode is Mode.OFF:
        return None, because(Because.MODE_OFF)
    after_work = run is not None and run.kind is Kind.DOWNTIME
    if blower.running is False or (blower.running is None and after_work):
        return _downtime(context, cleaning, blower)
    if mode is Mode.TIMED:
        return Kind.TIMED, because(Because.TIMED_SELECTED, interval_s=settings.timed_interval_s)
    if dp_pa is None:
        return _without_reading(context, cleaning, blower)
    return _on_demand(context, cleaning, dp_pa)


def _downtime(context: StepContext, cleaning: CleaningState, blower: BlowerState) -> Wanted:
    settings, run = context.setpoints.cleaning, cleaning.run
    if run is not None and run.kind is Kind.DOWNTIME:
        if has_run(context, run, settings.downtime_passes):
            return None, because(Because.DOWNTIME_DONE, passes=settings.downtime_passes)
        return Kind.DOWNTIME, because(Because.DOWNTIME, passes=settings.downtime_passes)
    collected = blower.run_s > 0 and blower.run_s >= settings.downtime_min_run_s
    if not settings.downtime or not collected:
        return None, because(Because.BLOWER_OFF)
    ready_s = blower.since_s + settings.downtime_spin_down_s
    if context.now_s < ready_s:
        context.wake_by(ready_s)
        return None, because(Because.DOWNTIME_SPIN_DOWN, spin_down_s=settings.downtime_spin_down_s)
    return Kind.DOWNTIME, because(Because.DOWNTIME, passes=settings.downtime_passes)


def _without_reading(context: StepContext, cleaning: CleaningState, blower: BlowerState) -> Wanted:
    settings, run = context.setpoints.cleaning, cleaning.run
    assert cleaning.bad_since_s is not None
    grace_s = cleaning.bad_since_s + context.setpoints.stale_after_s
    if run is not None and run.kind is Kind.ON_DEMAND and not context.is_due(grace_s):
        # One lost reply must not end a run, which would begin again only at the high set point.
        return Kind.ON_DEMAND, because(Because.BAD_READING_WAIT)
    if settings.on_bad_reading is OnBadReading.HOLD:
        return None, because(Because.BAD_READING_HOLD)
    under_way = run is not None and run.kind is Kind.FALLBACK
    proved = context.setpoints.fitted.blower_running and blower.running and is_known(context)
    if not proved and not under_way:
        return None, because(Because.FALLBACK_NEEDS_BLOWER)
    if not context.is_due(cleaning.bad_since_s + settings.fallback_delay_s):
        return None, because(Because.BAD_READING_WAIT)
    return Kind.FALLBACK, because(
        Because.BAD_READING_FALLBACK, interval_s=settings.fallback_interval_s
    )


def _on_demand(context: StepContext, cleaning: CleaningState, dp_pa: float) -> Wanted:
    settings, run = context.setpoints.cleaning, cleaning.run
    if run is not None and run.kind is Kind.ON_DEMAND:
        return _keep_on(context, run, dp_pa)
    if cleaning.high_since_s is None:
        return None, because(Because.BELOW_HIGH, high_pa=settings.high_pa)
    if cleaning.resting_until_s is not None:
        return None, because(
            Because.RESTING,
            cycles=settings.max_cycles,
            low_pa=settings.low_pa,
            rest_s=settings.rest_s,
        )
    from_s = cleaning.high_since_s + settings.on_delay_s
    if context.now_s < from_s:
        context.wake_by(from_s)
        return None, because(
            Because.ON_DELAY, high_pa=settings.high_pa, on_delay_s=settings.on_delay_s
        )
    return Kind.ON_DEMAND, because(Because.HIGH_REACHED, dp_pa=dp_pa, high_pa=settings.high_pa)


def _keep_on(context: StepContext, run: Run, dp_pa: float) -> Wanted:
    """Whether an on-demand run goes on."""
    settings = context.setpoints.cleaning
    if run.last_cycle is not None:
        if has_run(context, run, run.last_cycle):
            return None, because(Because.LOW_REACHED, dp_pa=dp_pa, low_pa=settings.low_pa)
        return Kind.ON_DEMAND, because(Because.FINISHING_CYCLE, low_pa=settings.low_pa)
    if has_run(context, run, settings.max_cycles) and _last_pulse_has_worked(context, run):
        return None, because(
            Because.LIMIT_OF_CYCLES, dp_pa=dp_pa, low_pa=settings.low_pa, cycles=settings.max_cycles
        )
    return Kind.ON_DEMAND, because(Because.ABOVE_LOW, low_pa=settings.low_pa)


def _last_pulse_has_worked(context: StepContext, run: Run) -> bool:
    """Whether dP has had the time of one interval to answer to the last pulse of a run."""
    if run.last_pulse_s is None:  # a sequencer board: its rated time is long enough
        return True
    return context.is_due(run.last_pulse_s + context.setpoints.pulsing.interval_s)


def _switch(
    context: StepContext, cleaning: CleaningState, kind: Kind | None, sample: Sample
) -> CleaningState:
    """Go from the run under way to the kind wanted, recording both ends."""
    run = cleaning.run
    if (run.kind if run is not None else None) is kind:
        return cleaning
    reason, dp_pa = cleaning.reason, sample.usable_pa
    if run is not None:
        duration_s = context.now_s - run.started_s
        context.emit(CleaningStopped(run.kind, dp_pa, reason, run.pulses, duration_s))
        if reason.code is Because.LIMIT_OF_CYCLES:
            rest_s = context.now_s + context.setpoints.cleaning.rest_s
            cleaning = replace(cleaning, not_effective=True, resting_until_s=rest_s)
    if kind is None:
        return replace(cleaning, run=None)
    context.emit(CleaningStarted(kind, dp_pa, reason))
    return replace(cleaning, run=Run(kind, context.now_s))
