"""When to clean, and why: which kind of cleaning run is wanted now.

Runs start and stop here; the single pulses inside a run are ``pulsing``'s. In every kind of run
one full cycle is one pulse of each valve.
"""

from math import ceil, inf
from operator import attrgetter

from dustcake.core.blower import runs_now
from dustcake.core.cleaning.permissives import permissives
from dustcake.core.cleaning.state import (
    PERMISSIVES,
    CleaningState,
    Pace,
    Permissive,
    Run,
    RunKind,
)
from dustcake.core.events import CleaningStarted, CleaningStopped
from dustcake.core.filter_life.state import ReplacementState
from dustcake.core.reasons import Because, Reason, because
from dustcake.core.record import replace, update
from dustcake.core.requests.kinds import Mode
from dustcake.core.setpoints import OnBadReading, OutputKind, Setpoints
from dustcake.core.state import BlowerState, Decision, Phase, State
from dustcake.core.step_context import StepContext

# Which permissives each kind needs. Every kind needs those of ALWAYS.
ALWAYS = frozenset(PERMISSIVES) - {"valid_reading", "blower_running"}
NEEDS = {
    RunKind.ON_DEMAND: ALWAYS | {"valid_reading", "blower_running"},
    RunKind.TIMED: ALWAYS | {"blower_running"},
    RunKind.FALLBACK: ALWAYS | {"blower_running"},
    RunKind.DOWNTIME: ALWAYS,
}


def lacking(kind: RunKind, missing: tuple[Permissive, ...]) -> Permissive | None:
    """What a run of this kind needs of all that is ``missing``, if anything: what ends runs before
    what only withholds pulses. Downtime cleaning needs the blower off, so it lacks
    ``blower_running`` only where nobody knows whether the blower runs."""
    lacks = [
        p
        for p in missing
        if p.name in NEEDS[kind]
        or (kind is RunKind.DOWNTIME and p.name == "blower_running" and p.holds_only)
    ]
    return min(lacks, key=attrgetter("holds_only"), default=None)


Wanted = tuple[RunKind | None, Reason]
"""The kind of run that is wanted, if any, and why."""


def restart(context: StepContext, state: State) -> State:
    """After a restart no run is under way and every delay starts again; a rest is kept whole."""
    cleaning, pace, rest_s = state.cleaning, state.cleaning_pace, context.setpoints.cleaning.rest_s
    run = cleaning.run
    if run is not None:
        duration_s = max(0.0, context.last_s - run.started_s)
        why = because(Because.RESTARTED)
        context.emit(CleaningStopped(run.kind, None, why, run.pulses, duration_s))
    return replace(
        state,
        cleaning=CleaningState(
            resting_until_s=None if cleaning.resting_until_s is None else context.now_s + rest_s,
            not_effective=cleaning.not_effective,
            reason=because(Because.RESTARTED),
        ),
        # The run that was under way, if any, ended now at the latest.
        cleaning_pace=replace(pace, ended_s=context.now_s) if pace.short else Pace(),
    )


def advance(context: StepContext, state: State) -> State:
    """Start, keep or stop a run, and say what is being done and why."""
    permits, context.missing = permissives(context, state)
    before, blower, cleaning = state.cleaning.run, state.blower, state.cleaning
    if before is not None:
        closed = before.closed.follow(context.now_s, state.pulsing.demand_closed)
        cleaning = update(cleaning, run=update(before, closed=closed))
    if state.stopping:
        cleaning = replace(cleaning, reason=because(Because.STOPPING))
        cleaning = _switch(context, cleaning, None, state.sample.usable_pa)
    else:
        cleaning = _decide(context, update(state, cleaning=cleaning))
        if cleaning.reason.code is Because.DOWNTIME_DONE:
            blower = replace(blower, run_s=0.0)
    phase = _phase(state.mode, cleaning, context.missing)
    return update(
        state,
        cleaning=cleaning,
        blower=blower,
        cleaning_pace=_paced(context, state.cleaning_pace, before, cleaning.run),
        decision=Decision(state.mode, phase, cleaning.kind, cleaning.reason, permits),
    )


def has_run(context: StepContext, cleaned: Run | ReplacementState, cycles: int) -> bool:
    """Whether cleaning has come to this many full cycles: counted in pulses, or by the rated time
    of a sequencer board, which reports nothing. Asks to be woken when the time decides. While
    pulses are withheld no time counts: what has not been pulsed cannot have failed to clean."""
    pulsing = context.setpoints.pulsing
    if pulsing.kind is not OutputKind.DEMAND_CONTACT:
        return cleaned.pulses >= cycles * len(pulsing.order)
    return context.is_due(cleaned.closed.reaches_s(cycles * pulsing.sequencer_cycle_s))


def _decide(context: StepContext, state: State) -> CleaningState:
    """Start, keep or stop a run; the reason says why, whichever it is."""
    cleaning = _decided(context, state)
    ended = state.cleaning.run is not None and cleaning.run is None
    low_reached = ended and cleaning.reason.code is Because.LOW_REACHED
    if low_reached and cleaning.high_since_s is not None:
        # While the last cycle was finished dP has risen to the high set point again, which may
        # begin another run at once.
        return _decided(context, replace(state, cleaning=cleaning))
    return cleaning


def _decided(context: StepContext, state: State) -> CleaningState:
    cleaning = _track(context, state)
    kind, reason = _permitted(context, update(state, cleaning=cleaning))
    return _switch(context, replace(cleaning, reason=reason), kind, state.sample.usable_pa)


def _permitted(context: StepContext, state: State) -> Wanted:
    """What is wanted, as far as no permissive that it needs is missing. What ends a run also keeps
    one from starting; what only withholds pulses lets a run that is under way wait."""
    kind, reason = _wanted(context, state)
    lacks = None if kind is None else lacking(kind, context.missing)
    if lacks is None or lacks.reason is None:
        return kind, reason
    waits = lacks.holds_only and not _flow_is_lost(context, state, lacks.reason)
    if not waits or state.cleaning.kind is not kind:
        kind = None
    # Why a run waits for a valid reading has been said better.
    return kind, reason if lacks.name == "valid_reading" else lacks.reason


def _flow_is_lost(context: StepContext, state: State, lacks: Reason) -> bool:
    """Whether it is dP's proof of flow that is lacking, and for as long as a lost reading is
    waited for: a stopped blower then, not one odd reading."""
    if lacks.code is not Because.FLOW_NOT_PROVED:
        return False
    blower, bad_since_s = state.blower, state.cleaning.bad_since_s
    unproved_s = inf if blower.running else blower.since_s
    bad_s = inf if bad_since_s is None else bad_since_s
    return context.is_due(min(unproved_s, bad_s) + context.setpoints.stale_after_s)


def _track(context: StepContext, state: State) -> CleaningState:
    """Remember since when the reading has been bad or high, that low has been reached, and whether
    a rest is over."""
    cleaning, dp_pa, gap = state.cleaning, state.sample.usable_pa, state.line.dp
    high_since_s, settings = cleaning.high_since_s, context.setpoints.cleaning
    if dp_pa is None:
        bad_since_s = context.now_s if cleaning.bad_since_s is None else cleaning.bad_since_s
        high_since_s = high_since_s if context.holds(gap) else None
        cleaning = update(cleaning, bad_since_s=bad_since_s, high_since_s=high_since_s)
    elif dp_pa >= settings.high_pa and not _goes_down(cleaning.run):
        high_since_s = gap.begun(high_since_s, context.now_s)
        cleaning = update(cleaning, bad_since_s=None, high_since_s=high_since_s)
    else:
        cleaning = update(cleaning, bad_since_s=None, high_since_s=None)
        if dp_pa <= settings.low_pa:
            cleaning = _low_reached(context, state, cleaning)
    if cleaning.resting_until_s is not None and context.is_due(cleaning.resting_until_s):
        cleaning = replace(cleaning, resting_until_s=None)
    return cleaning


def _low_reached(context: StepContext, state: State, cleaning: CleaningState) -> CleaningState:
    """A run goes on to the end of its last cycle, where that is wanted. With flow proved cleaning
    is effective again: new filters, or a mended valve."""
    run = cleaning.run
    if run is not None and run.last_cycle is None:
        finish = context.setpoints.cleaning.finish_cycle
        last = _cycle_under_way(context, run) if finish else 0
        cleaning = replace(cleaning, run=replace(run, last_cycle=last))
    if runs_now(context, state):
        cleaning = update(cleaning, not_effective=False, resting_until_s=None)
    return cleaning


def thresholds_pa(setpoints: Setpoints, state: State) -> tuple[float, ...]:
    """Of the two set points those that anything depends on now: loading filters pass the low one,
    and filters being cleaned the high one, with every ripple many times."""
    settings, cleaning = setpoints.cleaning, state.cleaning
    run = cleaning.run
    low_counts = run is not None or cleaning.not_effective or cleaning.resting_until_s is not None
    low_pa = (settings.low_pa,) if low_counts else ()
    return low_pa if _goes_down(run) else (*low_pa, settings.high_pa)


def may_exceed_high_s(setpoints: Setpoints, state: State) -> float:
    """For how long dP may pass the high set point and come back with nothing done: the on-delay,
    where a run waits for that set point only; else 0."""
    waits_for_it = state.decision.reason.code is Because.BELOW_HIGH
    return setpoints.cleaning.on_delay_s if waits_for_it else 0.0


def header_thresholds_pa(setpoints: Setpoints, _state: State) -> tuple[float, ...]:
    """The band of header pressure in which pulses are allowed."""
    return setpoints.header_limits.min_pa, setpoints.header_limits.max_pa


def _goes_down(run: Run | None) -> bool:
    """Whether a run goes on to the low set point, however high dP is meanwhile."""
    return run is not None and run.kind is RunKind.ON_DEMAND and run.last_cycle is None


def _cycle_under_way(context: StepContext, run: Run) -> int:
    """Number, from 1, of the cycle a run is in; what has just ended is still under way."""
    pulsing = context.setpoints.pulsing
    if pulsing.kind is OutputKind.DEMAND_CONTACT:
        return ceil(run.closed.at(context.now_s) / pulsing.sequencer_cycle_s)
    return ceil(run.pulses / len(pulsing.order))


def _wanted(context: StepContext, state: State) -> Wanted:
    settings, blower, dp_pa = context.setpoints.cleaning, state.blower, state.sample.usable_pa
    if state.mode is Mode.OFF:
        return None, because(Because.MODE_OFF)
    after_work = state.cleaning.kind is RunKind.DOWNTIME
    if blower.running is False or (blower.running is None and after_work):
        return _downtime(context, state)
    if state.mode is Mode.TIMED:
        return RunKind.TIMED, because(Because.TIMED_SELECTED, interval_s=settings.timed_interval_s)
    if dp_pa is None:
        return _without_reading(context, state)
    return _on_demand(context, state.cleaning, dp_pa)


def _downtime(context: StepContext, state: State) -> Wanted:
    settings, run, blower = context.setpoints.cleaning, state.cleaning.run, state.blower
    passes, spin_down_s = settings.downtime_passes, settings.downtime_spin_down_s
    if run is not None and run.kind is RunKind.DOWNTIME:
        if has_run(context, run, passes):
            return None, because(Because.DOWNTIME_DONE, passes=passes)
        return RunKind.DOWNTIME, because(Because.DOWNTIME, passes=passes)
    if not downtime_is_owed(context.setpoints, blower):
        return None, because(Because.BLOWER_OFF)
    if not context.is_due(blower.since_s + spin_down_s):
        return None, because(Because.DOWNTIME_SPIN_DOWN, spin_down_s=spin_down_s)
    return RunKind.DOWNTIME, because(Because.DOWNTIME, passes=passes)


def downtime_is_owed(setpoints: Setpoints, blower: BlowerState) -> bool:
    """Whether downtime cleaning is wanted for the dust that this blower run has collected."""
    settings, run_s = setpoints.cleaning, blower.run_s
    return settings.downtime and run_s > 0 and run_s >= settings.downtime_min_run_s


def _without_reading(context: StepContext, state: State) -> Wanted:
    settings, cleaning = context.setpoints.cleaning, state.cleaning
    assert cleaning.bad_since_s is not None
    grace_s = cleaning.bad_since_s + context.setpoints.stale_after_s
    if cleaning.kind is RunKind.ON_DEMAND and not context.is_due(grace_s):
        # One lost reply must not end a run, which would begin again only at the high set point.
        return RunKind.ON_DEMAND, because(Because.BAD_READING_WAIT)
    if settings.on_bad_reading is OnBadReading.HOLD:
        return None, because(Because.BAD_READING_HOLD)
    proved = context.setpoints.fitted.blower_running and runs_now(context, state)
    if not proved and cleaning.kind is not RunKind.FALLBACK:
        return None, because(Because.FALLBACK_NEEDS_BLOWER)
    if not context.is_due(cleaning.bad_since_s + settings.fallback_delay_s):
        return None, because(Because.BAD_READING_WAIT)
    interval_s = settings.fallback_interval_s
    return RunKind.FALLBACK, because(Because.BAD_READING_FALLBACK, interval_s=interval_s)


def _on_demand(context: StepContext, cleaning: CleaningState, dp_pa: float) -> Wanted:
    settings, run = context.setpoints.cleaning, cleaning.run
    low_pa, high_pa, cycles = settings.low_pa, settings.high_pa, settings.max_cycles
    if run is not None and run.kind is RunKind.ON_DEMAND:
        return _keep_on(context, run, dp_pa)
    if cleaning.high_since_s is None:
        return None, because(Because.BELOW_HIGH, high_pa=high_pa)
    if cleaning.resting_until_s is not None:
        rest_s = settings.rest_s
        return None, because(Because.RESTING, cycles=cycles, low_pa=low_pa, rest_s=rest_s)
    if not context.is_due(cleaning.high_since_s + settings.on_delay_s):
        return None, because(Because.ON_DELAY, high_pa=high_pa, on_delay_s=settings.on_delay_s)
    return RunKind.ON_DEMAND, because(Because.HIGH_REACHED, dp_pa=dp_pa, high_pa=high_pa)


def _keep_on(context: StepContext, run: Run, dp_pa: float) -> Wanted:
    """Whether an on-demand run goes on."""
    low_pa, cycles = context.setpoints.cleaning.low_pa, context.setpoints.cleaning.max_cycles
    if run.last_cycle is not None:
        if has_run(context, run, run.last_cycle):
            return None, because(Because.LOW_REACHED, dp_pa=dp_pa, low_pa=low_pa)
        return RunKind.ON_DEMAND, because(Because.FINISHING_CYCLE, low_pa=low_pa)
    # dP has the time of one interval to answer the last pulse; that of a board is long enough.
    pulsed_s = -inf if run.last_pulse_s is None else run.last_pulse_s
    answered_s = pulsed_s + context.setpoints.pulsing.interval_s
    if has_run(context, run, cycles) and context.is_due(answered_s):
        return None, because(Because.LIMIT_OF_CYCLES, dp_pa=dp_pa, low_pa=low_pa, cycles=cycles)
    return RunKind.ON_DEMAND, because(Because.ABOVE_LOW, low_pa=low_pa)


def _switch(
    context: StepContext, cleaning: CleaningState, kind: RunKind | None, dp_pa: float | None
) -> CleaningState:
    """Go from the run under way to the kind wanted, recording both ends."""
    run = cleaning.run
    if cleaning.kind is kind:
        return cleaning
    reason = cleaning.reason
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


def _paced(context: StepContext, pace: Pace, before: Run | None, run: Run | None) -> Pace:
    """Follow on-demand runs as they begin and end; one may end and the next begin in one step."""
    was, now = _on_demand_since_s(before), _on_demand_since_s(run)
    if was == now:
        return pace
    ended_s = pace.ended_s if was is None else context.now_s
    if now is None:
        return replace(pace, ended_s=ended_s)
    gap_s = context.setpoints.alarm_rules.frequent_gap_s
    soon = ended_s is not None and context.now_s < ended_s + gap_s
    return Pace(None, pace.short + 1 if soon else 0)


def _on_demand_since_s(run: Run | None) -> float | None:
    return None if run is None or run.kind is not RunKind.ON_DEMAND else run.started_s


def is_frequent(context: StepContext, pace: Pace) -> bool:
    """Whether runs have followed each other too soon often enough, and no rest has been long enough
    since. The residual dP creeps up over months; when it comes near the high set point, or the load
    is more than the filters are made for, one run follows another without a rest between them
    (common practice, no source)."""
    rules = context.setpoints.alarm_rules
    if pace.short < rules.frequent_runs:
        return False
    return pace.ended_s is None or not context.is_due(pace.ended_s + rules.frequent_gap_s)


_PHASES = {
    Because.ON_DELAY: Phase.WAITING,
    Because.DOWNTIME_SPIN_DOWN: Phase.WAITING,
    Because.BAD_READING_WAIT: Phase.WAITING,
    Because.BAD_READING_HOLD: Phase.BLOCKED,
    Because.FALLBACK_NEEDS_BLOWER: Phase.BLOCKED,
    Because.RESTING: Phase.RESTING,
}
"""That of a reason for which there is no run; idle where it is another."""


def _phase(mode: Mode, cleaning: CleaningState, missing: tuple[Permissive, ...]) -> Phase:
    """What is being done, in one word."""
    is_missing = any(p.reason is cleaning.reason for p in missing)
    phase = Phase.BLOCKED if is_missing else _PHASES.get(cleaning.reason.code, Phase.IDLE)
    if cleaning.run is not None:
        return Phase.CLEANING if phase is Phase.IDLE else Phase.HELD
    return Phase.OFF if mode is Mode.OFF else phase
