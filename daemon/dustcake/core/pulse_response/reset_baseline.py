"""What begins anew with other filters, or another flow."""

from dustcake.core.pulse_response.findings import withdrawn
from dustcake.core.pulse_response.state import (
    CleanedRecord,
    DiagnosisState,
    FindingName,
    ValveRecord,
)
from dustcake.core.record import replace
from dustcake.core.step_context import StepContext


def filters_changed(context: StepContext, diagnosis: DiagnosisState) -> DiagnosisState:
    """New filters answer otherwise than the old ones; valves and header are as they were."""
    diagnosis = withdrawn(context, diagnosis, FindingName.ROW_NOT_RECOVERING)
    diagnosis = replace(
        diagnosis,
        valves=tuple(ValveRecord(dip=v.dip, no_dip=v.no_dip) for v in diagnosis.valves),
        last_pa=None,
        start_pa=None,
        rise_pa=None,
        response=0.0,
        responses=0,
        no_ripple=0.0,
    )
    return flow_changed(context, diagnosis)


def flow_changed(context: StepContext, diagnosis: DiagnosisState) -> DiagnosisState:
    """With another flow dP comes back to another value when rows are cleaned."""
    diagnosis = withdrawn(context, diagnosis, FindingName.FILTER_TORN)
    return replace(diagnosis, cleaned=CleanedRecord(), last_pa=None)
