"""How the filters age: residual dP read after cleaning and what its trend says of their life, and
evidence that cleaning no longer helps them.

Residual dP is what is left once each valve has pulsed one time, read just before the next pulse is
due: the same effort each time, however long a run goes on. Where a run reaches the low set point
before that, what is left then is read, and kept apart. Only dP with proved flow counts.
"""

from dustcake.core.blower import is_known, runs_now
from dustcake.core.cleaning.pulsing import interval_s
from dustcake.core.cleaning.runs import has_run
from dustcake.core.cleaning.state import Run, RunKind
from dustcake.core.events import FilterLifeChanged
from dustcake.core.filter_life.forecast import Outlook, forecast
from dustcake.core.filter_life.state import (
    DAY_S,
    Conditions,
    Due,
    FilterLife,
    ReplacementState,
)
from dustcake.core.reading import Quality
from dustcake.core.reasons import Because
from dustcake.core.record import replace, update
from dustcake.core.setpoints import OutputKind
from dustcake.core.state import BlowerState, State
from dustcake.core.step_context import StepContext

REPORT_EVERY_H = 24.0  # blower hours, while the outlook stays the same
_ZERO_STEP = 0.02  # of the low set point
_USE_EVERY_S = 7 * DAY_S
_USE_WEEKS = 5


def filters_changed(
    context: StepContext, life: FilterLife, blower: BlowerState, valves: tuple[int, ...]
) -> FilterLife:
    """New filters: everything begins anew. In some rows only (``valves`` not empty) they are
    another level, and the set as a whole goes on ageing: the older rows decide on its end."""
    if valves and set(valves) != set(context.setpoints.pulsing.order):
        return level_moved(life)
    return FilterLife(blower.total_until_s(context.now_s))


def level_moved(life: FilterLife) -> FilterLife:
    """From here on the level of residual dP is another, for no fault of the filters."""
    return replace(life, moved=life.moved + 1, due=None)


def restart(context: StepContext, state: State) -> State:
    """After a restart: what was due is not known to have been cleaning, and is not read. All valves
    are off, so the contact of a sequencer board is open since then at the latest."""
    life = replace(state.filter_life, due=None, run_counted=0)
    closed = state.replacement.closed.follow(context.last_s, False)
    return replace(state, replacement=replace(state.replacement, closed=closed), filter_life=life)


def advance(context: StepContext, state: State) -> State:
    """Count cleaning that does not help. Read the residual that is due, and see whether another one
    is."""
    replacement, life = _counted(context, state), _followed(context, state)
    return update(state, replacement=replacement, filter_life=life)


# --- cleaning that does not help


def _counted(context: StepContext, state: State) -> ReplacementState:
    replacement = _with_dp(context, state)
    if replacement.above:
        # The contact of a sequencer board is closed, and there is good air.
        with_air = state.pulsing.demand_closed and good_air(context, state)
        closed = replacement.closed.follow(context.now_s, with_air)
        replacement = update(replacement, closed=closed)
    return update(replacement, fresh=False) if proved(context, replacement) else replacement


def _with_dp(context: StepContext, state: State) -> ReplacementState:
    """A bad reading, or one with no proved flow, says nothing about the filters."""
    replacement, dp_pa = state.replacement, state.sample.usable_pa
    if dp_pa is None or not runs_now(context, state):
        return replacement
    if dp_pa >= context.setpoints.limits.replacement_pa:
        return update(replacement, above=True)
    if replacement.above and has_recovered(context, dp_pa):
        return ReplacementState(fresh=replacement.fresh)
    return replacement


def count_pulses(context: StepContext, state: State, fired: int) -> State:
    """Pulses fired to the end; one cut short has not cleaned as it should."""
    replacement = state.replacement
    if not replacement.above or not good_air(context, state):
        return state
    replacement = replace(replacement, pulses=replacement.pulses + fired)
    return replace(state, replacement=replacement)


def good_air(context: StepContext, state: State) -> bool:
    """Whether the air of a pulse counts as good. No pulse is fired while the header is known to be
    out of its band; one fired while its pressure is not known proves nothing of the filters, unless
    it was in its band just before. Where no transmitter is fitted, air is taken to be there."""
    if context.setpoints.header is None or state.header_pa is not None:
        return True
    gap, limits = state.line.header, context.setpoints.header_limits
    in_band = gap.pa is not None and limits.min_pa <= gap.pa <= limits.max_pa
    return in_band and context.holds(gap)


def has_recovered(context: StepContext, dp_pa: float) -> bool:
    """Whether dP, at proved flow, is below the set point by its deadband."""
    limits = context.setpoints.limits
    return dp_pa < limits.replacement_pa - limits.deadband_pa


def proved(context: StepContext, replacement: ReplacementState) -> bool:
    """Whether enough full cycles have run while dP stayed above."""
    cycles = context.setpoints.limits.replacement_cycles
    return replacement.above and has_run(context, replacement, cycles)


# --- residual dP


def _followed(context: StepContext, state: State) -> FilterLife:
    # The cleaning run before this step, and after it with the pulse it may have commanded.
    before = None if context.restart else context.before.cleaning.run
    run, life = state.cleaning.run, _read(context, state, state.filter_life)
    if before is not None and (run is None or run.started_s != before.started_s):
        life = _run_ended(context, state, life, before)
    if run is not None and run.kind is not RunKind.DOWNTIME:
        life = _cycles_run(context, state, life, run)
    life = _read(context, state, life)
    if life.due is not None and life.due.at_s > context.now_s:
        context.wake_by(life.due.at_s)
    return life


def _run_ended(context: StepContext, state: State, life: FilterLife, run: Run) -> FilterLife:
    if life.run_counted == 0:
        full_cycle = has_run(context, run, 1)
        if full_cycle or state.cleaning.reason.code is Because.LOW_REACHED:
            life = _await(context, state, life, run, full_cycle=full_cycle)
    return update(life, run_counted=0)


def _cycles_run(context: StepContext, state: State, life: FilterLife, run: Run) -> FilterLife:
    """The later cycles of an on-demand run find cleaner filters, and would be another residual."""
    every_cycle = run.kind is RunKind.TIMED
    while (every_cycle or life.run_counted == 0) and has_run(context, run, life.run_counted + 1):
        life = _await(context, state, life, run, full_cycle=True)
        life = replace(life, run_counted=life.run_counted + 1)
    return life


def _await(
    context: StepContext, state: State, life: FilterLife, run: Run, *, full_cycle: bool
) -> FilterLife:
    board = context.setpoints.pulsing.kind is OutputKind.DEMAND_CONTACT
    done = run.pulses > 0 or (board and full_cycle)
    if not done or state.pulsing.failures or run.kind is RunKind.DOWNTIME:
        return life
    from_s = context.now_s if run.last_pulse_s is None else run.last_pulse_s
    at_s = from_s + (0.0 if board else interval_s(context.setpoints, run.kind))
    if at_s < context.now_s:  # dust has settled on them since: no residual any more
        return life
    return replace(life, due=Due(at_s, run.kind.value, full_cycle))


def _read(context: StepContext, state: State, life: FilterLife) -> FilterLife:
    """Take the residual whose time has come, and forecast anew when that closes a point."""
    due, sample = life.due, state.sample
    if due is None or context.now_s < due.at_s or _waits(context, state, due):
        return life
    life = replace(life, due=None)
    hours = life.hours(state.blower.total_until_s(context.now_s))
    proved_pa = sample.pa if sample.quality is Quality.GOOD and runs_now(context, state) else None
    if proved_pa is None or not life.residuals.wants(hours):
        return life
    settings, points = context.setpoints.cleaning, life.residuals.points
    low_pa, high_pa = settings.low_pa, settings.high_pa
    zero = round(state.zero.offset_pa / (_ZERO_STEP * low_pa))
    conditions = Conditions(due.kind, due.full_cycle, low_pa, high_pa, zero, life.moved)
    life = replace(life, residuals=life.residuals.with_reading(hours, proved_pa, conditions))
    return life if life.residuals.points is points else _forecast(context, life, hours)


def _waits(context: StepContext, state: State, due: Due) -> bool:
    """Where a reply is lost just when a residual is due, the next will do, unless a pulse is fired
    before it."""
    if state.sample.usable_pa is not None and is_known(context, state):
        return False
    held = context.holds(state.line.dp) or context.holds(state.line.blower_running)
    return held and state.pulsing.last_s < due.at_s


def _forecast(context: StepContext, life: FilterLife, hours: float) -> FilterLife:
    before, limit_pa = life.forecast, context.setpoints.limits.replacement_pa
    seasoned = [p for p in life.residuals.points if p.hours >= context.setpoints.seasoning_h]
    now = forecast(seasoned, hours, limit_pa)
    life = replace(life, forecast=now, use=_with_use(life.use, context.at.utc_s, hours))
    is_other = before is None or before.outlook is not now.outlook
    is_due = is_other or hours >= life.reported_h + REPORT_EVERY_H
    if now.outlook is Outlook.NOT_ENOUGH_DATA or not is_due:
        return life
    context.emit(
        FilterLifeChanged(
            now.outlook.value,
            round(hours, 1),
            now.low_h,
            now.high_h,
            now.confidence,
            now.residual_pa,
            now.rise_pa_per_h,
            now.points,
        )
    )
    return replace(life, reported_h=hours)


def _with_use(
    use: tuple[tuple[float, float], ...], utc_s: float | None, hours: float
) -> tuple[tuple[float, float], ...]:
    """The same with now as its end: a mark a week, and the last weeks only."""
    if utc_s is None:
        return use
    if use and utc_s <= use[-1][0]:  # the clock was set back: what it said before is worth nothing
        return ((utc_s, hours),)
    if len(use) > 1 and use[-1][0] < use[-2][0] + _USE_EVERY_S:
        use = use[:-1]
    return (*use, (utc_s, hours))[-_USE_WEEKS:]
