"""What the response to one pulse says: of its valve and row beside the others, of all valves
together, of a reading that responds to none, and of torn filters."""

from math import sqrt
from statistics import median

from dustcake.core.pulse_response.findings import (
    CERTAIN,
    GONE,
    LEARNT_AFTER,
    blended,
    evidence_after,
    found,
    judged,
    withdrawn,
)
from dustcake.core.pulse_response.state import (
    CleanedRecord,
    Finding,
    FindingName,
    PulseResponseState,
    Response,
    ValveRecord,
)
from dustcake.core.reasons import Because, because
from dustcake.core.record import record, replace, update
from dustcake.core.setpoints import Setpoints
from dustcake.core.signal_validation.state import cleared, doubted
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

# A row that has always responded less than this, as a share of the others, is no excuse.
_LEAST_SHARE = 0.5
_MOST_SHARE = 2.0
_FORGETS = 0.05  # at which the usual effects, and the share of a row, follow
# Responses count while their mean, a slow one, is so many times the noise.
_CLEAR = 2.0
# Variance of a median of n values with the same normal noise: about this over n times theirs.
_OF_MEDIAN = 1.57
# Fewer pulses speak about a reading that responds to none than about single valves, so that less
# evidence is as sure.
_CERTAIN_OF_ALL = 12.0
# Less than this part of the usual effect is taken for none: sticky dust responds weakly, too.
_PART = 0.5
_DOWN, _UP = 0.2, 0.02  # at which the dP of cleaned filters is followed
_DEADBAND = 0.1  # of its limit: only this far above it a finding of torn filters goes


@record
class _Usual:
    """What a pulse does now by the other valves, as ``Response`` has it: dip of the header (shown
    only where it is clear of the noise) and response of dP."""

    dip: float
    response: float
    dip_shows: bool


def valve_and_row(
    context: StepContext, known: PulseResponseState, response: Response
) -> PulseResponseState:
    """What the response says about its valve and its row."""
    before, after = known.valves[: response.valve - 1], known.valves[response.valve :]
    others = (*before, *after)
    usual = _usual(known, others, response)
    valve = _with_dip(known.valves[response.valve - 1], response, usual)
    if response.response is not None:
        means = known.means + 1
        mean = blended(known.mean_response, response.response, means, _FORGETS)
        known = replace(known, mean_response=mean, means=means)
        # In a light load what one pulse does is lost in the noise, whatever it is compared with.
        if usual.response > 0 and mean > _CLEAR * response.noise:
            noise = response.noise * sqrt(1 + _OF_MEDIAN * valve.share**2 / len(others))
            valve = _responded(valve, usual.response, response.response, noise)
        valve = replace(valve, response=response.response)
    known = replace(known, valves=(*before, valve, *after))
    known = _valve_does_not_fire(context, known, response, valve, usual)
    return _row_not_recovering(context, known, response, valve, usual)


def _usual(
    known: PulseResponseState, others: tuple[ValveRecord, ...], response: Response
) -> _Usual:
    fell = [v.response for v in others if v.response is not None and v.no_response < CERTAIN]
    dip = _typical_dip(known, others)
    dip_shows = response.header_pa is not None and dip > 4 * response.header_noise
    return _Usual(dip, median(fell or [0.0]), dip_shows)


def _with_dip(valve: ValveRecord, response: Response, usual: _Usual) -> ValveRecord:
    if response.dip is None:
        return valve
    no_dip = evidence_after(valve.no_dip, usual.dip, response.dip, response.header_noise)
    # A row that is cleaned has a valve that fires, whatever is seen of its dip.
    seen = response.response
    if seen is not None and seen > max(4 * response.noise, usual.response / 2):
        no_dip = min(no_dip, valve.no_dip)
    return replace(valve, no_dip=no_dip, dip=response.dip)


def _typical_dip(known: PulseResponseState, others: tuple[ValveRecord, ...]) -> float:
    """What a pulse takes now, by the other valves; without any, what it usually takes."""
    if known.header.dips < LEARNT_AFTER:  # one other valve that has fired is no measure
        return 0.0
    if not others:
        return known.header.dip
    dips = [v.dip for v in others if v.dip is not None and v.no_dip < CERTAIN]
    return median(dips or [0.0])


def _responded(valve: ValveRecord, others: float, response: float, noise: float) -> ValveRecord:
    """One more response beside those of the others."""
    share, learnt = valve.share, valve.learnt
    if others > 2 * noise and valve.no_response < CERTAIN / 2:
        learnt += 1
        seen = min(max(response / others, 0.0), _MOST_SHARE)
        share = blended(share, seen, learnt, _FORGETS)
    no_response = valve.no_response
    if learnt >= LEARNT_AFTER / 2:
        expected = max(share, _LEAST_SHARE) * others
        no_response = evidence_after(no_response, expected, response, noise)
    return replace(valve, share=share, learnt=learnt, no_response=no_response)


def _valve_does_not_fire(
    context: StepContext,
    known: PulseResponseState,
    response: Response,
    valve: ValveRecord,
    usual: _Usual,
) -> PulseResponseState:
    """No dip; without any header pressure to see it by, no response."""
    code, seen, expected = Because.NO_DP_RESPONSE, response.response or 0.0, usual.response
    if usual.dip_shows and response.dip is not None:
        code, seen, expected = Because.NO_HEADER_DIP, response.dip, usual.dip
    number = response.valve
    reason = because(code, valve=number, seen_percent=100 * seen, usual_percent=100 * expected)
    evidence = valve.no_dip if usual.dip_shows else valve.no_response
    finding = Finding(FindingName.VALVE_DOES_NOT_FIRE, number, reason)
    return judged(context, known, finding, evidence)


def _row_not_recovering(
    context: StepContext,
    known: PulseResponseState,
    response: Response,
    valve: ValveRecord,
    usual: _Usual,
) -> PulseResponseState:
    """A row that does not recover although its valve is seen to fire."""
    evidence = 0.0 if valve.no_dip >= CERTAIN else valve.no_response
    fires = usual.dip_shows and valve.no_dip <= GONE and response.dip is not None
    if evidence >= CERTAIN and not fires:
        return known
    reason = because(
        Because.ROW_NOT_CLEANED,
        valve=response.valve,
        seen_percent=100 * (response.response or 0.0),
        usual_percent=100 * usual.response,
        dip_percent=100 * (response.dip or 0.0),
        usual_dip_percent=100 * usual.dip,
    )
    finding = Finding(FindingName.ROW_NOT_RECOVERING, response.valve, reason)
    return judged(context, known, finding, evidence)


def no_valve_fires(
    context: StepContext, known: PulseResponseState, response: Response
) -> PulseResponseState:
    """All valves together: when their supply has failed, none differs from the others."""
    if response.dip is None:
        return known
    header = known.header
    expected = _PART * header.dip
    # A header transmitter that is stuck shows no dip either; dP then shows that valves fire.
    responds = response.response is not None and response.response > 4 * response.noise
    if header.dips >= LEARNT_AFTER and not (responds and response.dip < expected):
        no_dip = evidence_after(header.no_dip, expected, response.dip, response.header_noise)
        header = replace(header, no_dip=no_dip)
    if header.no_dip < CERTAIN / 2 and known.valves[response.valve - 1].no_dip < CERTAIN / 2:
        dips = header.dips + 1
        header = replace(header, dip=blended(header.dip, response.dip, dips, _FORGETS), dips=dips)
    known = replace(known, header=header)
    # Where one valve fails among others that fire, evidence does not add up to this.
    seen, usual = 100 * response.dip, 100 * header.dip
    reason = because(Because.NO_HEADER_DIP_AT_ALL, seen_percent=seen, usual_percent=usual)
    return judged(
        context, known, Finding(FindingName.VALVE_DOES_NOT_FIRE, 0, reason), header.no_dip
    )


def no_ripple(state: State, response: Response) -> State:
    """A reading that responds to no row at all comes through a plugged line, or is not alive.

    Only a pulse of an on-demand run that has cake to take off, since dP had risen, speaks against
    it. A response speaks for it at any time.
    """
    known, validation = state.pulse_response, state.signal_validation
    if response.response is None or not _fired(known, response):
        return state
    usual, counted = known.response, response.rise is not None
    if known.responses >= LEARNT_AFTER:
        expected = _PART * usual
        if response.rise is not None:
            expected = min(expected, _PART * response.rise / len(known.valves))
        # A dP that rises although rows are pulsed has other troubles; but it moves.
        moved = abs(response.response)
        evidence = evidence_after(known.no_ripple, expected, moved, response.noise)
        if counted or evidence < known.no_ripple:
            known = replace(known, no_ripple=evidence)
    if counted and known.no_ripple < CERTAIN / 4:
        responses = known.responses + 1
        usual = blended(usual, response.response, responses, _FORGETS)
        known = replace(known, response=usual, responses=responses)
    doubts = validation.doubts
    if known.no_ripple >= _CERTAIN_OF_ALL:
        seen, usual = 100 * response.response, 100 * known.response
        reason = because(Because.NO_RIPPLE, seen_percent=seen, usual_percent=usual)
        doubts = doubted(doubts, reason)
    elif known.no_ripple <= GONE:
        doubts = cleared(doubts, Because.NO_RIPPLE)
    validation = update(validation, doubts=doubts)
    return replace(state, pulse_response=known, signal_validation=validation)


def _fired(known: PulseResponseState, response: Response) -> bool:
    """Whether the valve is seen to have fired, or cannot be seen to."""
    if response.dip is None:
        return True
    usual = known.header.dip
    return usual <= 4 * response.header_noise or response.dip > usual / 2


# --- torn or unseated filters: dP below what these come back to when they are cleaned


def with_cleaned(setpoints: Setpoints, record: CleanedRecord, response: Response) -> CleanedRecord:
    """Learn what dP comes back to; follow it down sooner than up. Too low is not learnt."""
    if response.dp_pa is None or response.after_pa is None:
        return record
    low_pa = setpoints.pulse_response.torn_share * record.pa
    if record.count >= LEARNT_AFTER and response.after_pa <= low_pa:
        before_was_in_order = response.dp_pa > low_pa
        return replace(record, row=response.valve) if before_was_in_order else record
    count, slowest = record.count + 1, _DOWN if response.after_pa < record.pa else _UP
    pa = blended(record.pa, response.after_pa, count, slowest)
    # The first means of a baseline must not be dragged about by one pulse.
    armed = record.armed or response.dp_pa >= pa
    return CleanedRecord(pa, count, armed, record.low_s, 0)


def thresholds_pa(setpoints: Setpoints, state: State) -> tuple[float, ...]:
    """Every dP at which ``torn_filters`` changes its answer."""
    record = state.pulse_response.cleaned
    if record.count < LEARNT_AFTER:
        return ()
    low_pa = setpoints.pulse_response.torn_share * record.pa
    return (low_pa, low_pa * (1 + _DEADBAND), *(() if record.armed else (record.pa,)))


def torn_filters(context: StepContext, state: State) -> PulseResponseState:
    """Only with a contact that proves the blower: dP alone cannot tell a hole from no flow."""
    known, dp_pa = state.pulse_response, state.sample.usable_pa
    record, settings = known.cleaned, context.setpoints.pulse_response
    proved = context.setpoints.fitted.blower_running and state.blower.running
    if proved and _is_held(context, state):
        return known
    if dp_pa is None or not proved or record.count < LEARNT_AFTER:
        return update(known, cleaned=update(record, low_s=None))
    low_pa = settings.torn_share * record.pa
    if dp_pa <= low_pa:
        return _low(context, state, dp_pa) if record.armed else known
    armed = record.armed or dp_pa >= record.pa
    known = update(known, cleaned=update(record, low_s=None, armed=armed))
    if dp_pa > low_pa * (1 + _DEADBAND):
        known = withdrawn(context, known, FindingName.FILTER_TORN)
    return known


def _is_held(context: StepContext, state: State) -> bool:
    """Whether dP or the proof of flow is not known, for a reply lost just now."""
    dp_held = state.sample.usable_pa is None and context.holds(state.line.dp)
    return dp_held or context.holds(state.line.blower_running)


def _low(context: StepContext, state: State, dp_pa: float) -> PulseResponseState:
    """Filters are torn when dP has been too low for them long enough."""
    known, line, record = state.pulse_response, state.line, state.pulse_response.cleaned
    low_s = line.blower_running.begun(line.dp.begun(record.low_s, context.now_s), context.now_s)
    known = replace(known, cleaned=replace(record, low_s=low_s))
    torn_after_s = context.setpoints.pulse_response.torn_after_s
    if not context.is_due(max(low_s, state.blower.since_s) + torn_after_s):
        return known
    row, cleaned_pa = record.row, record.pa
    if row:
        code = Because.DP_BELOW_CLEANED_ROW
        reason = because(code, valve=row, dp_pa=dp_pa, cleaned_pa=cleaned_pa)
    else:
        reason = because(Because.DP_BELOW_CLEANED, dp_pa=dp_pa, cleaned_pa=cleaned_pa)
    return found(context, known, Finding(FindingName.FILTER_TORN, row, reason))
