"""What the response to one pulse says: of its valve and row beside the others, of all valves
together, and of a reading that responds to none."""

from math import sqrt

from dustcake.core.pulse_response.findings import (
    CERTAIN,
    GONE,
    LEARNT_AFTER,
    blended,
    evidence_after,
    found,
    typical,
    withdrawn,
)
from dustcake.core.pulse_response.state import (
    FindingName,
    PulseResponseState,
    Response,
    ValveRecord,
)
from dustcake.core.reasons import Because, because
from dustcake.core.record import record, replace, update
from dustcake.core.signal_validation.state import SignalValidation, cleared, doubted
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
    index = response.valve - 1
    valve = known.valves[index]
    others = [v for i, v in enumerate(known.valves) if i != index]
    dip = _typical_dip(known, others)
    fell = typical(
        [v.response for v in others if v.response is not None and v.no_response < CERTAIN]
    )
    if response.dip is not None:
        no_dip = evidence_after(valve.no_dip, dip, response.dip, response.header_noise)
        # A row that is cleaned has a valve that fires, whatever is seen of its dip.
        if _is_cleaned(response, fell or 0.0):
            no_dip = min(no_dip, valve.no_dip)
        valve = replace(valve, no_dip=no_dip, dip=response.dip)
    if response.response is not None:
        known = _with_mean(known, response.response)
        # In a light load what one pulse does is lost in the noise, whatever it is compared with.
        if fell is not None and known.mean_response > _CLEAR * response.noise:
            noise = response.noise * sqrt(1 + _OF_MEDIAN * valve.share**2 / len(others))
            valve = _responded(valve, fell, response.response, noise)
        valve = replace(valve, response=response.response)
    known = replace(known, valves=(*known.valves[:index], valve, *known.valves[index + 1 :]))
    dip_shows = response.header_pa is not None and dip > 4 * response.header_noise
    usual = _Usual(dip, fell or 0.0, dip_shows)
    known = _valve_does_not_fire(context, known, response, valve, usual)
    return _row_not_recovering(context, known, response, valve, usual)


def _is_cleaned(response: Response, others: float) -> bool:
    fell = response.response
    return fell is not None and fell > max(4 * response.noise, others / 2)


def _with_mean(known: PulseResponseState, response: float) -> PulseResponseState:
    means = known.means + 1
    mean = blended(known.mean_response, response, means, _FORGETS)
    return replace(known, mean_response=mean, means=means)


def _typical_dip(known: PulseResponseState, others: list[ValveRecord]) -> float:
    """What a pulse takes now, by the other valves; without any, what it usually takes."""
    if known.header.dips < LEARNT_AFTER:  # one other valve that has fired is no measure
        return 0.0
    if not others:
        return known.header.dip
    return typical([v.dip for v in others if v.dip is not None and v.no_dip < CERTAIN]) or 0.0


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
    name = FindingName.VALVE_DOES_NOT_FIRE
    evidence = valve.no_dip if usual.dip_shows else valve.no_response
    if evidence <= GONE:
        return withdrawn(context, known, name, response.valve)
    if evidence < CERTAIN:
        return known
    if usual.dip_shows and response.dip is not None:
        reason = because(
            Because.NO_HEADER_DIP,
            valve=response.valve,
            seen_percent=100 * response.dip,
            usual_percent=100 * usual.dip,
        )
    else:
        reason = because(
            Because.NO_DP_RESPONSE,
            valve=response.valve,
            seen_percent=100 * (response.response or 0.0),
            usual_percent=100 * usual.response,
        )
    return found(context, known, name, response.valve, reason)


def _row_not_recovering(
    context: StepContext,
    known: PulseResponseState,
    response: Response,
    valve: ValveRecord,
    usual: _Usual,
) -> PulseResponseState:
    """A row that does not recover although its valve is seen to fire."""
    name = FindingName.ROW_NOT_RECOVERING
    if valve.no_response <= GONE or valve.no_dip >= CERTAIN:
        return withdrawn(context, known, name, response.valve)
    fires = usual.dip_shows and valve.no_dip <= GONE
    if valve.no_response < CERTAIN or not fires or response.dip is None:
        return known
    reason = because(
        Because.ROW_NOT_CLEANED,
        valve=response.valve,
        seen_percent=100 * (response.response or 0.0),
        usual_percent=100 * usual.response,
        dip_percent=100 * response.dip,
        usual_dip_percent=100 * usual.dip,
    )
    return found(context, known, name, response.valve, reason)


def no_valve_fires(
    context: StepContext, known: PulseResponseState, response: Response
) -> PulseResponseState:
    """All valves together: when their supply has failed, none differs from the others."""
    if response.dip is None:
        return known
    header, name = known.header, FindingName.VALVE_DOES_NOT_FIRE
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
    if header.no_dip >= CERTAIN:
        reason = because(
            Because.NO_HEADER_DIP_AT_ALL,
            seen_percent=100 * response.dip,
            usual_percent=100 * header.dip,
        )
        return found(context, known, name, 0, reason)
    return withdrawn(context, known, name, 0) if header.no_dip <= GONE else known


def no_ripple(
    known: PulseResponseState, validation: SignalValidation, response: Response
) -> tuple[PulseResponseState, SignalValidation]:
    """A reading that responds to no row at all comes through a plugged line, or is not alive.

    Only a pulse of an on-demand run that has cake to take off, since dP had risen, speaks against
    it. A response speaks for it at any time.
    """
    if response.response is None or not _fired(known, response):
        return known, validation
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
        usual_now = blended(usual, response.response, responses, _FORGETS)
        known = replace(known, response=usual_now, responses=responses)
    if known.no_ripple >= _CERTAIN_OF_ALL:
        reason = because(
            Because.NO_RIPPLE,
            seen_percent=100 * response.response,
            usual_percent=100 * known.response,
        )
        return known, replace(validation, doubts=doubted(validation.doubts, reason))
    if known.no_ripple <= GONE:
        doubts = cleared(validation.doubts, Because.NO_RIPPLE)
        validation = update(validation, doubts=doubts)
    return known, validation


def _fired(known: PulseResponseState, response: Response) -> bool:
    """Whether the valve is seen to have fired, or cannot be seen to."""
    if response.dip is None:
        return True
    usual = known.header.dip
    return usual <= 4 * response.header_noise or response.dip > usual / 2
