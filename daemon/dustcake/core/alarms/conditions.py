"""What each alarm watches: whether it calls to be raised (True), cleared (False), or neither."""

from collections.abc import Callable, Sequence

from dustcake.core.alarms import finding_conditions as diagnosed
from dustcake.core.alarms.causes import CAUSES, CAUSES_FIRST
from dustcake.core.alarms.life import Around, Condition, is_settled, is_unused, judge
from dustcake.core.alarms.suppression import IN_FORCE, SUPPRESSED_BY, suppressed
from dustcake.core.alarms.table import Alarm, AlarmState
from dustcake.core.alarms.watch import PLACE, RESTS_ON, in_order, touched
from dustcake.core.blower import is_known
from dustcake.core.cleaning.runs import is_frequent
from dustcake.core.filter_life import replacement
from dustcake.core.line import CALLED, OFTEN, SELDOM, WITHIN_S, Gap
from dustcake.core.reading import Quality, Sample
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.setpoints import AlarmName, AlarmSetting, Setpoints
from dustcake.core.signal_validation.state import DEAD, find
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# An alarm on header pressure clears only this far above its limit (pressure: 2 % of range is the
# starting value of alarm management practice; from memory).
HEADER_DEADBAND = 0.02

# So many failed pulses in a row are no accident, even where the outputs are proved off each time.
FAILURES_TOLD = 3

_CLEAR: Condition = (False, because(Because.NO_LONGER))
_CHANGED: Condition = (False, because(Because.FILTERS_CHANGED))
_CLOCK_NOT_SET: Condition = (True, because(Because.CLOCK_NOT_SET))


def advance(context: StepContext, state: State) -> State:
    """Every alarm, causes before what they explain. What an alarm watches does not depend on the
    others, so those that stay as they are, as most do most of the time, are done with first."""
    to_judge: dict[AlarmName, tuple[Condition, Condition]] = {}
    for name in _looked_at(context.before, state):
        alarm, setting = state.alarms[PLACE[name]], context.setpoints.alarms[PLACE[name]]
        if is_unused(alarm, setting):
            continue
        condition = CONDITIONS[name](context, state)
        hidden = suppressed(context, state, name) if name in SUPPRESSED_BY else IN_FORCE
        if hidden[0] or not is_settled(alarm, setting, condition[0]):
            to_judge[name] = condition, hidden
    if not to_judge:
        return state if state.unsettled == () else replace(state, unsettled=())
    alarms, settings = list(state.alarms), context.setpoints.alarms
    for name in sorted(to_judge, key=_RANK.__getitem__):
        condition, hidden = to_judge[name]
        around, place = (
            Around(hidden, *_cause(name, alarms, settings), *_held(context, state, name)),
            PLACE[name],
        )
        alarms[place] = judge(context, alarms[place], settings[place], condition, around)
    unsettled = tuple(
        name
        for name, (condition, hidden) in to_judge.items()
        if hidden[0] or not is_settled(alarms[PLACE[name]], settings[PLACE[name]], condition[0])
    )
    return replace(state, alarms=tuple(alarms), unsettled=unsettled)


_EVERY = tuple(AlarmName)


def _looked_at(before: State, state: State) -> tuple[AlarmName, ...]:
    """Which alarms may not be as they were. What a request does to one, or to the set points, may
    matter to any."""
    if (
        state.unsettled is None
        or state.alarms is not before.alarms
        or state.adjusted is not before.adjusted
    ):
        return _EVERY
    names = touched(before, state)
    return in_order((*names, *state.unsettled)) if state.unsettled else names


_RANK = {name: rank for rank, name in enumerate(CAUSES_FIRST)}


def _cause(
    name: AlarmName, alarms: Sequence[Alarm], settings: Sequence[AlarmSetting]
) -> tuple[AlarmName | None, bool]:
    """The alarm that explains this one, if any stands; and whether one is still in its on-delay.
    One out of service explains nothing: what it watches is not to be trusted."""
    undecided = False
    for cause in CAUSES[name]:
        alarm = alarms[PLACE[cause]]
        if not settings[PLACE[cause]].enabled or alarm.state is AlarmState.OUT_OF_SERVICE:
            continue
        if alarm.stands:
            return cause, False
        undecided = undecided or alarm.pending_s is not None
    return None, undecided


def _held(context: StepContext, state: State, name: AlarmName) -> tuple[bool, float | None]:
    """Whether what an alarm rests on is not known now and its delays are held; and when it was
    known again after they had to begin anew."""
    gaps = [state.line.of(signal) for signal in RESTS_ON.get(name, ())]
    resumed_s = max((g.resumed_s for g in gaps if g.resumed_s is not None), default=None)
    unknown = [gap for gap in gaps if gap.since_s is not None]
    return bool(unknown) and all(map(context.holds, unknown)), resumed_s


def thresholds_pa(setpoints: Setpoints, _state: State) -> tuple[float, ...]:
    """Every dP at which an alarm changes its answer."""
    limits = setpoints.limits
    return (
        limits.replacement_pa,
        limits.replacement_pa - limits.deadband_pa,
        limits.high_pa,
        limits.high_pa - limits.deadband_pa,
        limits.low_pa,
        limits.low_pa + limits.deadband_pa,
    )


def header_thresholds_pa(setpoints: Setpoints, _state: State) -> tuple[float, ...]:
    """Every header pressure at which any comparison in the core changes its answer."""
    limits = setpoints.header_limits
    return limits.min_pa, limits.min_pa * (1 + HEADER_DEADBAND), limits.max_pa


def _filter_replacement(context: StepContext, state: State) -> Condition:
    if state.worn.fresh:
        return _CHANGED
    # Neither the filters nor their recovery can be judged without dP at proved flow: a stopped
    # blower also reads low, and cycles run since dP was last seen may have done their work.
    limits, calls = context.setpoints.limits, None
    flow = state.blower.running and is_known(context, state)
    dp_pa = state.sample.usable_pa if flow else None
    if dp_pa is not None and replacement.proved(context, state.worn):
        calls = True
    elif dp_pa is not None and replacement.has_recovered(context, dp_pa):
        return _CLEAR
    return calls, because(
        Because.NOT_CLEANED_BELOW,
        dp_pa=state.sample.pa or 0.0,
        limit_pa=limits.replacement_pa,
        cycles=limits.replacement_cycles,
    )


def _high_dp(context: StepContext, state: State) -> Condition:
    limits, sample = context.setpoints.limits, state.sample
    # Beyond the span is no measurement, but it is high.
    above_span = sample.quality is Quality.OUT_OF_SPECIFICATION
    dp_pa = sample.pa if above_span else sample.usable_pa
    if dp_pa is None or (above_span and dp_pa < limits.high_pa):
        return None, sample.reasons[0]
    reason = because(Because.ABOVE_LIMIT, dp_pa=dp_pa, limit_pa=limits.high_pa)
    if dp_pa >= limits.high_pa:
        return True, reason
    return (False if dp_pa < limits.high_pa - limits.deadband_pa else None), reason


def _low_dp(context: StepContext, state: State) -> Condition:
    """Low dP means something only while the blower is proved by its contact: dP alone cannot tell
    a torn filter from a stopped fan."""
    limits, dp_pa, blower = context.setpoints.limits, state.sample.usable_pa, state.blower
    if dp_pa is None:
        return None, state.sample.reasons[0]
    reason = because(Because.BELOW_LIMIT, dp_pa=dp_pa, limit_pa=limits.low_pa)
    fitted = context.setpoints.fitted.blower_running
    if not (fitted and blower.running and is_known(context, state)):
        return None, reason
    if dp_pa <= limits.low_pa:
        return True, reason
    return (False if dp_pa > limits.low_pa + limits.deadband_pa else None), reason


def _cleaning_not_effective(context: StepContext, state: State) -> Condition:
    if not state.cleaning.not_effective:
        return _CLEAR
    settings = context.setpoints.cleaning
    return True, because(
        Because.LIMIT_OF_CYCLES,
        dp_pa=state.sample.pa or 0.0,
        low_pa=settings.low_pa,
        cycles=settings.max_cycles,
    )


def _header_pressure_low(context: StepContext, state: State) -> Condition:
    min_pa = context.setpoints.header_limits.min_pa
    header_pa = None if state.header is None else state.header.usable_pa
    if context.setpoints.header is None:
        return _CLEAR
    if header_pa is None:
        return None, because(Because.HEADER_UNKNOWN)
    if header_pa < min_pa:
        return True, because(Because.HEADER_LOW, header_pa=header_pa, min_pa=min_pa)
    if header_pa >= min_pa * (1 + HEADER_DEADBAND):
        return _CLEAR
    return None, because(Because.HEADER_LOW, header_pa=header_pa, min_pa=min_pa)


def _header_transmitter_fault(context: StepContext, state: State) -> Condition:
    if context.setpoints.header is None:
        return _CLEAR
    if state.header is None:  # not read yet
        return None, because(Because.NO_SAMPLE_YET)
    if state.header.usable_pa is not None:
        return _CLEAR
    return True, state.header.reasons[0]


def _transmitter_fault(_context: StepContext, state: State) -> Condition:
    sample = state.sample
    if sample.usable_pa is not None:
        return _CLEAR
    if sample.quality is Quality.FUNCTION_CHECK:
        return None, sample.reasons[0]
    code, doubts = sample.reasons[0].code, state.trust.doubts
    swapped = code is Because.BEYOND_SPAN and find(doubts, Because.NEGATIVE_WITH_FLOW) is not None
    if code in DEAD or swapped:  # it is read, and has an alarm of its own
        return _CLEAR
    return True, sample.reasons[0]


def _outputs_lost(_context: StepContext, state: State) -> Condition:
    """Outputs that cannot be proved off, that answer but fail one pulse after another, or a blower
    run output that cannot be told."""
    outputs, failures, blower = state.outputs, state.pulsing.failures, state.blower
    if outputs.fault and not outputs.stuck:  # a stuck valve has an alarm of its own
        return True, because(Because.OUTPUTS_FAULT, outputs.fault)
    if failures >= FAILURES_TOLD:
        return True, because(Because.PULSES_FAIL, failures=failures)
    if blower.fault:
        return True, because(Because.BLOWER_NOT_TOLD, blower.fault)
    return (None, because(Because.PULSES_FAIL, failures=failures)) if failures else _CLEAR


def _valve_stuck_open(_context: StepContext, state: State) -> Condition:
    if state.outputs.stuck:
        return True, because(Because.VALVE_STUCK_OPEN, state.outputs.fault)
    return diagnosed.valve_stuck_open(state)


def _smoke(context: StepContext, state: State) -> Condition:
    """A smoke contact that cannot be read keeps the alarm as it was (pulses stop all the same)."""
    smoke = state.contacts.smoke if context.setpoints.fitted.smoke else False
    return _CLEAR if smoke is False else (smoke, because(Because.SMOKE))


def _journal_fault(_context: StepContext, state: State) -> Condition:
    fault = state.journal.fault
    return _CLEAR if fault is None else (True, because(Because.JOURNAL_FAULT, fault))


def _cleaning_too_frequent(context: StepContext, state: State) -> Condition:
    if not is_frequent(context, state.pace):
        return _CLEAR
    gap_s = context.setpoints.alarm_rules.frequent_gap_s
    return True, because(Because.TOO_FREQUENT, runs=state.pace.short, gap_s=gap_s)


def _fieldbus_lost(context: StepContext, state: State) -> Condition:
    """Nothing at all can be read, where there is more to read than dP: it is not the transmitter.
    While no poll comes back at all, nobody knows."""
    sample, header = state.sample, state.header
    if sample.usable_pa is not None:
        return _CLEAR
    others = [getattr(state.contacts, name) is None for name in context.setpoints.fitted.names()]
    if context.setpoints.header is not None:
        others.append(header is not None and _unread(header))
    if not others:
        return _CLEAR
    if sample.reasons[0].code in (Because.STALE, Because.NO_SAMPLE_YET):
        return None, sample.reasons[0]
    if _unread(sample) and all(others):
        return True, because(Because.ALL_UNREADABLE, sample.reasons[0].detail)
    return _CLEAR


def _unread(sample: Sample) -> bool:
    return bool(sample.reasons) and sample.reasons[0].code is Because.READ_FAILED


def _blower_not_proved(context: StepContext, state: State) -> Condition:
    """The blower should run, because it has been told to or the process makes dust, and its contact
    says that it does not. With smoke or the stop input it is meant to stand still. A contact that
    cannot be read says neither."""
    fitted, contacts, announced = context.setpoints.fitted, state.contacts, state.blower.announced
    process = contacts.process_running if fitted.process_running else False
    runs, stops = contacts.blower_running, contacts.smoke or contacts.stop
    if not fitted.blower_running or runs or stops or (process is False and not announced):
        return _CLEAR
    unreadable = (
        runs is None
        or (process is None and not announced)
        or (fitted.smoke and contacts.smoke is None)
        or (fitted.stop and contacts.stop is None)
    )
    why = "the process equipment runs" if process else "it has been told to run"
    return (None if unreadable else True), because(Because.BLOWER_SHOULD_RUN, why)


def _drum_full(context: StepContext, state: State) -> Condition:
    full = state.contacts.drum_full if context.setpoints.fitted.drum_full else False
    return _CLEAR if full is False else (full, because(Because.DRUM_FULL))


def _readings_often_lost(context: StepContext, state: State) -> Condition:
    """A signal fails often, though never for long: that one of which most is lost."""
    line = state.line
    often = [name for name in CALLED if _loses_more(context, line.of(name), OFTEN)]
    if often:
        worst = max(often, key=lambda name: line.of(name).lost_at(context.now_s))
        share = line.of(worst).lost_at(context.now_s)
        return True, because(
            Because.READINGS_OFTEN_LOST,
            CALLED[worst],
            usable_percent=100 * (1 - share),
            within_s=WITHIN_S,
        )
    if any(_loses_more(context, line.of(name), SELDOM) for name in CALLED):
        return None, because(Because.NO_LONGER)
    return _CLEAR


def _loses_more(context: StepContext, gap: Gap, share: float) -> bool:
    """Whether more than this share of a signal's readings is lost. While it is not known the share
    stays as it is."""
    if gap.lost <= share:
        return False
    return gap.since_s is not None or not context.is_due(gap.falls_to_s(share))


def _clock_not_set(context: StepContext, _state: State) -> Condition:
    return _CLOCK_NOT_SET if context.at.utc_s is None else _CLEAR


CONDITIONS: dict[AlarmName, Callable[[StepContext, State], Condition]] = {
    AlarmName.FILTER_REPLACEMENT: _filter_replacement,
    AlarmName.HIGH_DP: _high_dp,
    AlarmName.LOW_DP: _low_dp,
    AlarmName.CLEANING_NOT_EFFECTIVE: _cleaning_not_effective,
    AlarmName.HEADER_PRESSURE_LOW: _header_pressure_low,
    AlarmName.HEADER_TRANSMITTER_FAULT: _header_transmitter_fault,
    AlarmName.TRANSMITTER_FAULT: _transmitter_fault,
    AlarmName.OUTPUTS_LOST: _outputs_lost,
    AlarmName.VALVE_STUCK_OPEN: _valve_stuck_open,
    AlarmName.SMOKE: _smoke,
    AlarmName.JOURNAL_FAULT: _journal_fault,
    AlarmName.CLEANING_TOO_FREQUENT: _cleaning_too_frequent,
    AlarmName.FIELDBUS_LOST: _fieldbus_lost,
    AlarmName.BLOWER_NOT_PROVED: _blower_not_proved,
    AlarmName.DRUM_FULL: _drum_full,
    AlarmName.CLOCK_NOT_SET: _clock_not_set,
    AlarmName.SENSING_LINE_SUSPECT: diagnosed.sensing_line_suspect,
    AlarmName.ZERO_DRIFT: diagnosed.zero_drift,
    AlarmName.VALVE_DOES_NOT_FIRE: diagnosed.valve_does_not_fire,
    AlarmName.HEADER_NOT_RECOVERING: diagnosed.header_not_recovering,
    AlarmName.FILTER_TORN: diagnosed.filter_torn,
    AlarmName.ROW_NOT_RECOVERING: diagnosed.row_not_recovering,
    AlarmName.READINGS_OFTEN_LOST: _readings_often_lost,
}
