"""Evidence for findings, and findings made and withdrawn, each with its event.

Evidence is a sequential test of one question: is the usual effect there, or is there none? A CUSUM
of the log-likelihood ratio of "no effect" to "the usual effect" (Page, Biometrika 41, 1954; from
memory), both normal with the same variance: that of the noise, plus a share of the effect by which
healthy effects scatter. Each term is limited, so that no single pulse decides.
"""

from dustcake.core.events import FindingChanged
from dustcake.core.pulse_response.state import (
    CleanedRecord,
    Finding,
    FindingName,
    PulseResponseState,
    ValveRecord,
)
from dustcake.core.record import replace
from dustcake.core.step_context import StepContext

CERTAIN = 16.0
"""Evidence at which a finding is made: without one, e^16 pulses pass on average (Lorden, Annals of
Mathematical Statistics 42, 1971; from memory)."""
GONE = 2.0
"""Evidence at which it is withdrawn."""
_MOST_A_PULSE = 4.0
_MOST = 24.0
SCATTER = 0.35
"""Standard deviation of a healthy effect, as a share of it."""
LEARNT_AFTER = 8
"""Pulses before what is usual counts as known."""


def evidence_after(evidence: float, expected: float, seen: float, noise: float) -> float:
    """Evidence that there is no effect, after one more pulse.

    ``expected``: the usual effect; ``noise``: standard deviation of ``seen`` without any. An effect
    smaller than the noise says nothing.
    """
    if expected < noise:
        return evidence
    variance = noise * noise + (SCATTER * expected) ** 2
    term = expected / variance * (expected / 2 - seen) if variance else 0.0
    return min(max(evidence + min(max(term, -_MOST_A_PULSE), _MOST_A_PULSE), 0.0), _MOST)


def blended(before: float, seen: float, count: int, slowest: float) -> float:
    """A mean that follows: plain over the first values, then forgetting at the rate ``slowest``.

    ``count``: of the values, this one included.
    """
    return before + max(1.0 / count, slowest) * (seen - before)


def standing(
    known: PulseResponseState, name: FindingName, valve: int | None = None
) -> Finding | None:
    """The finding of this name, of any valve or of one."""
    for finding in known.findings:
        if finding.name is name and valve in (None, finding.valve):
            return finding
    return None


def found(context: StepContext, known: PulseResponseState, finding: Finding) -> PulseResponseState:
    """Make a finding; one that stands already stays as it was."""
    if standing(known, finding.name, finding.valve) is not None:
        return known
    context.emit(FindingChanged(finding.name.value, finding.valve, True, finding.reason))
    return replace(known, findings=(*known.findings, finding))


def judged(
    context: StepContext,
    known: PulseResponseState,
    finding: Finding,
    evidence: float,
    *,
    gone: float = GONE,
    certain: float = CERTAIN,
) -> PulseResponseState:
    """Make a finding where the evidence for it is certain, withdraw it where that is gone."""
    if evidence <= gone:
        return withdrawn(context, known, finding.name, finding.valve)
    return known if evidence < certain else found(context, known, finding)


def withdrawn(
    context: StepContext, known: PulseResponseState, name: FindingName, valve: int | None = None
) -> PulseResponseState:
    """Withdraw a finding, of any valve or of one; nothing happens if it does not stand."""
    gone = [f for f in known.findings if f.name is name and valve in (None, f.valve)]
    if not gone:
        return known
    for finding in gone:
        context.emit(FindingChanged(name.value, finding.valve, False, finding.reason))
    kept = tuple(finding for finding in known.findings if finding not in gone)
    return replace(known, findings=kept)


def reset_baseline(context: StepContext, known: PulseResponseState) -> PulseResponseState:
    """With new filters: they respond otherwise than the old ones; valves and header stay as they
    are."""
    known = withdrawn(context, known, FindingName.ROW_NOT_RECOVERING)
    known = replace(
        known,
        valves=tuple(ValveRecord(dip=v.dip, no_dip=v.no_dip) for v in known.valves),
        last_pa=None,
        start_pa=None,
        rise_pa=None,
        response=0.0,
        responses=0,
        no_ripple=0.0,
    )
    return reset_cleaned(context, known)


def reset_cleaned(context: StepContext, known: PulseResponseState) -> PulseResponseState:
    """With another flow dP comes back to another value when rows are cleaned."""
    known = withdrawn(context, known, FindingName.FILTER_TORN)
    return replace(known, cleaned=CleanedRecord(), last_pa=None)
