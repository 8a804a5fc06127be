"""Whether dP answers to pulses at all, and whether any valve fires."""

from dustcake.core.pulse_response import evidence
from dustcake.core.pulse_response.evidence import CERTAIN, GONE, LEARNT_AFTER
from dustcake.core.pulse_response.findings import found, withdrawn
from dustcake.core.pulse_response.response import Answer
from dustcake.core.pulse_response.state import DiagnosisState, FindingName
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.signal_validation.doubts import cleared, doubted
from dustcake.core.signal_validation.state import TrustState
from dustcake.core.step_context import StepContext

_FORGETS = 0.05
# Fewer pulses speak about this than about single valves, so that less evidence is as sure.
_CERTAIN = 12.0
# Less than this part of the usual effect is taken for none: sticky dust answers weakly, too.
_PART = 0.5


def judge_dips(context: StepContext, diagnosis: DiagnosisState, answer: Answer) -> DiagnosisState:
    """All valves together: when their supply has failed, none differs from the others."""
    if answer.dip is None:
        return diagnosis
    header, name = diagnosis.header, FindingName.VALVE_DOES_NOT_FIRE
    expected = _PART * header.dip
    # A header transmitter that is stuck shows no dip either; dP then tells that valves fire.
    responds = answer.response is not None and answer.response > 4 * answer.noise
    if header.dips >= LEARNT_AFTER and not (responds and answer.dip < expected):
        no_dip = evidence.after(header.no_dip, expected, answer.dip, answer.header_noise)
        header = replace(header, no_dip=no_dip)
    if header.no_dip < CERTAIN / 2 and diagnosis.valves[answer.valve - 1].no_dip < CERTAIN / 2:
        dips = header.dips + 1
        dip = evidence.blended(header.dip, answer.dip, dips, _FORGETS)
        header = replace(header, dip=dip, dips=dips)
    diagnosis = replace(diagnosis, header=header)
    # Where one valve fails among others that fire, evidence does not add up to this.
    if header.no_dip >= CERTAIN:
        reason = because(
            Because.NO_HEADER_DIP_AT_ALL,
            seen_percent=100 * answer.dip,
            usual_percent=100 * header.dip,
        )
        return found(context, diagnosis, name, 0, reason)
    return withdrawn(context, diagnosis, name, 0) if header.no_dip <= GONE else diagnosis


def judge_ripple(
    context: StepContext, diagnosis: DiagnosisState, trust: TrustState, answer: Answer
) -> tuple[DiagnosisState, TrustState]:
    """A reading that answers to no row at all comes through a plugged line, or is not alive.

    Only a pulse of an on-demand run that has cake to take off, since dP had risen, speaks against
    it. An answer speaks for it at any time.
    """
    if answer.response is None or not _fired(diagnosis, answer):
        return diagnosis, trust
    usual, counted = diagnosis.response, answer.rise is not None
    if diagnosis.responses >= LEARNT_AFTER:
        expected = _PART * usual
        if answer.rise is not None:
            expected = min(expected, _PART * answer.rise / len(diagnosis.valves))
        # A dP that rises although rows are pulsed has other troubles; but it moves.
        moved = abs(answer.response)
        no_ripple = evidence.after(diagnosis.no_ripple, expected, moved, answer.noise)
        if counted or no_ripple < diagnosis.no_ripple:
            diagnosis = replace(diagnosis, no_ripple=no_ripple)
    if counted and diagnosis.no_ripple < CERTAIN / 4:
        responses = diagnosis.responses + 1
        response = evidence.blended(usual, answer.response, responses, _FORGETS)
        diagnosis = replace(diagnosis, response=response, responses=responses)
    if diagnosis.no_ripple >= _CERTAIN:
        reason = because(
            Because.NO_RIPPLE,
            seen_percent=100 * answer.response,
            usual_percent=100 * diagnosis.response,
        )
        return diagnosis, replace(trust, doubts=doubted(trust.doubts, reason))
    if diagnosis.no_ripple <= GONE:
        trust = replace(trust, doubts=cleared(trust.doubts, Because.NO_RIPPLE))
    return diagnosis, trust


def _fired(diagnosis: DiagnosisState, answer: Answer) -> bool:
    """Whether the valve is seen to have fired, or cannot be seen to."""
    if answer.dip is None:
        return True
    usual = diagnosis.header.dip
    return usual <= 4 * answer.header_noise or answer.dip > usual / 2
