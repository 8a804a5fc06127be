"""Valve by valve: does it fire, and does its row recover?"""

from math import sqrt

from dustcake.core.pulse_response import evidence
from dustcake.core.pulse_response.evidence import CERTAIN, GONE, LEARNT_AFTER
from dustcake.core.pulse_response.findings import found, withdrawn
from dustcake.core.pulse_response.response import Answer
from dustcake.core.pulse_response.state import DiagnosisState, FindingName, ValveRecord
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.step_context import StepContext

# A row that has always answered less than this, as a share of the others, is no excuse.
_LEAST_SHARE = 0.5
_MOST_SHARE = 2.0
_SHARE_FORGETS = 0.05
# Responses count while their mean, a slow one, is so many times the noise.
_CLEAR = 2.0
_MEAN_FORGETS = 0.05
# Variance of a median of n values with the same normal noise: about this over n times theirs.
_OF_MEDIAN = 1.57


def judge_rows(context: StepContext, diagnosis: DiagnosisState, answer: Answer) -> DiagnosisState:
    """What the answer to one pulse says about its valve and its row."""
    index = answer.valve - 1
    valve = diagnosis.valves[index]
    others = [v for i, v in enumerate(diagnosis.valves) if i != index]
    dip = _typical_dip(diagnosis, others)
    response = evidence.typical(
        [v.response for v in others if v.response is not None and v.no_response < CERTAIN]
    )
    dips_show = answer.header_pa is not None and dip > 4 * answer.header_noise
    if answer.dip is not None:
        no_dip = evidence.after(valve.no_dip, dip, answer.dip, answer.header_noise)
        valve = replace(valve, no_dip=no_dip, dip=answer.dip)
    if answer.response is not None:
        diagnosis = _mean(diagnosis, answer.response)
        # In a light load what one pulse does is lost in the noise, by whatever others it is judged.
        if response is not None and diagnosis.mean_response > _CLEAR * answer.noise:
            noise = answer.noise * sqrt(1 + _OF_MEDIAN * valve.share**2 / len(others))
            valve = _responded(valve, response, answer.response, noise)
        valve = replace(valve, response=answer.response)
    valves = (*diagnosis.valves[:index], valve, *diagnosis.valves[index + 1 :])
    diagnosis = replace(diagnosis, valves=valves)
    diagnosis = _valve(context, diagnosis, answer, valve, dip, response or 0.0, dips_show=dips_show)
    return _row(context, diagnosis, answer, valve, dip, response or 0.0, dips_show=dips_show)


def _mean(diagnosis: DiagnosisState, response: float) -> DiagnosisState:
    means = diagnosis.means + 1
    mean = evidence.blended(diagnosis.mean_response, response, means, _MEAN_FORGETS)
    return replace(diagnosis, mean_response=mean, means=means)


def _typical_dip(diagnosis: DiagnosisState, others: list[ValveRecord]) -> float:
    """What a pulse takes now, by the other valves; without any, what it usually takes."""
    dips = [v.dip for v in others if v.dip is not None and v.no_dip < CERTAIN]
    if not others:
        return diagnosis.header.dip if diagnosis.header.dips >= LEARNT_AFTER else 0.0
    # One other valve that has fired is no measure of what is usual.
    return (evidence.typical(dips) or 0.0) if diagnosis.header.dips >= LEARNT_AFTER else 0.0


def _responded(valve: ValveRecord, others: float, response: float, noise: float) -> ValveRecord:
    """One more response beside those of the others."""
    share, learnt = valve.share, valve.learnt
    if others > 2 * noise and valve.no_response < CERTAIN / 2:
        learnt += 1
        seen = min(max(response / others, 0.0), _MOST_SHARE)
        share = evidence.blended(share, seen, learnt, _SHARE_FORGETS)
    no_response = valve.no_response
    if learnt >= LEARNT_AFTER / 2:
        expected = max(share, _LEAST_SHARE) * others
        no_response = evidence.after(no_response, expected, response, noise)
    return replace(valve, share=share, learnt=learnt, no_response=no_response)


def _valve(
    context: StepContext,
    diagnosis: DiagnosisState,
    answer: Answer,
    valve: ValveRecord,
    dip: float,
    response: float,
    *,
    dips_show: bool,
) -> DiagnosisState:
    """A valve that does not fire: no dip; without any header pressure to see it by, no response."""
    name = FindingName.VALVE_DOES_NOT_FIRE
    evidence_now = valve.no_dip if dips_show else valve.no_response
    if evidence_now <= GONE:
        return withdrawn(context, diagnosis, name, answer.valve)
    if evidence_now < CERTAIN:
        return diagnosis
    if dips_show and answer.dip is not None:
        reason = because(
            Because.NO_HEADER_DIP,
            valve=answer.valve,
            seen_percent=100 * answer.dip,
            usual_percent=100 * dip,
        )
    else:
        reason = because(
            Because.NO_DP_RESPONSE,
            valve=answer.valve,
            seen_percent=100 * (answer.response or 0.0),
            usual_percent=100 * response,
        )
    return found(context, diagnosis, name, answer.valve, reason)


def _row(
    context: StepContext,
    diagnosis: DiagnosisState,
    answer: Answer,
    valve: ValveRecord,
    dip: float,
    response: float,
    *,
    dips_show: bool,
) -> DiagnosisState:
    """A row that does not recover although its valve is seen to fire."""
    name = FindingName.ROW_NOT_RECOVERING
    if valve.no_response <= GONE or valve.no_dip >= CERTAIN:
        return withdrawn(context, diagnosis, name, answer.valve)
    if valve.no_response < CERTAIN or not dips_show or valve.no_dip > GONE or answer.dip is None:
        return diagnosis
    reason = because(
        Because.ROW_NOT_CLEANED,
        valve=answer.valve,
        seen_percent=100 * (answer.response or 0.0),
        usual_percent=100 * response,
        dip_percent=100 * answer.dip,
        usual_dip_percent=100 * dip,
    )
    return found(context, diagnosis, name, answer.valve, reason)
