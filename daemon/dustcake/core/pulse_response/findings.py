"""Findings made and withdrawn, each with its event."""

from dustcake.core.events import FindingChanged
from dustcake.core.pulse_response.state import DiagnosisState, Finding, FindingName
from dustcake.core.reasons import Reason
from dustcake.core.record import replace
from dustcake.core.step_context import StepContext


def standing(
    diagnosis: DiagnosisState, name: FindingName, valve: int | None = None
) -> Finding | None:
    """The finding of this name, of any valve or of one."""
    return next(
        (f for f in diagnosis.findings if f.name is name and valve in (None, f.valve)), None
    )


def found(
    context: StepContext, diagnosis: DiagnosisState, name: FindingName, valve: int, reason: Reason
) -> DiagnosisState:
    """Make a finding; one that stands already stays as it was."""
    if standing(diagnosis, name, valve) is not None:
        return diagnosis
    context.emit(FindingChanged(name.value, valve, True, reason))
    return replace(diagnosis, findings=(*diagnosis.findings, Finding(name, valve, reason)))


def withdrawn(
    context: StepContext, diagnosis: DiagnosisState, name: FindingName, valve: int | None = None
) -> DiagnosisState:
    """Withdraw a finding, of any valve or of one; nothing happens if it does not stand."""
    gone = [f for f in diagnosis.findings if f.name is name and valve in (None, f.valve)]
    if not gone:
        return diagnosis
    for finding in gone:
        context.emit(FindingChanged(name.value, finding.valve, False, finding.reason))
    kept = tuple(finding for finding in diagnosis.findings if finding not in gone)
    return replace(diagnosis, findings=kept)
