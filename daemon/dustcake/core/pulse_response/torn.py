"""Torn or unseated filters: dP below what these filters come back to when they are cleaned."""

from dustcake.core.pulse_response.findings import LEARNT_AFTER, blended, found, withdrawn
from dustcake.core.pulse_response.state import (
    CleanedRecord,
    FindingName,
    PulseResponseState,
    Response,
)
from dustcake.core.reasons import Because, because
from dustcake.core.record import replace
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

_DOWN, _UP = 0.2, 0.02
# A finding goes only this far above its limit, as a share of it.
_DEADBAND = 0.1


def with_cleaned(setpoints: Setpoints, record: CleanedRecord, response: Response) -> CleanedRecord:
    """Learn what dP comes back to; follow it down sooner than up. Too low is not learnt."""
    if response.dp_pa is None or response.after_pa is None:
        return record
    low_pa = setpoints.pulse_response.torn_share * record.pa
    if record.count >= LEARNT_AFTER and response.after_pa <= low_pa:
        before_was_in_order = response.dp_pa > low_pa
        return replace(record, row=response.valve) if before_was_in_order else record
    count = record.count + 1
    pa = blended(
        record.pa, response.after_pa, count, _DOWN if response.after_pa < record.pa else _UP
    )
    # The first means of a baseline must not be dragged about by one pulse.
    armed = record.armed or response.dp_pa >= pa
    return CleanedRecord(pa, count, armed, record.low_s, 0)


def thresholds_pa(setpoints: Setpoints, record: CleanedRecord) -> tuple[float, ...]:
    """Every dP at which the answer changes."""
    if record.count < LEARNT_AFTER:
        return ()
    low_pa = setpoints.pulse_response.torn_share * record.pa
    return (low_pa, low_pa * (1 + _DEADBAND), *(() if record.armed else (record.pa,)))


def torn(context: StepContext, state: State) -> PulseResponseState:
    """Only with a contact that proves the blower: dP alone cannot tell a hole from no flow."""
    known, dp_pa, blower = state.pulse_response, state.sample.usable_pa, state.blower
    record, settings = known.cleaned, context.setpoints.pulse_response
    proved, line = context.setpoints.fitted.blower_running and blower.running, state.line
    if proved and (
        (dp_pa is None and context.holds(line.dp)) or context.holds(line.blower_running)
    ):
        return known
    if dp_pa is None or not proved or record.count < LEARNT_AFTER:
        if record.low_s is None:
            return known
        return replace(known, cleaned=replace(record, low_s=None))
    low_pa = settings.torn_share * record.pa
    if dp_pa > low_pa:
        armed = record.armed or dp_pa >= record.pa
        if record.low_s is not None or armed is not record.armed:
            known = replace(known, cleaned=replace(record, low_s=None, armed=armed))
        if dp_pa > low_pa * (1 + _DEADBAND):
            known = withdrawn(context, known, FindingName.FILTER_TORN)
        return known
    if not record.armed:
        return known
    low_s = line.blower_running.begun(line.dp.begun(record.low_s, context.now_s), context.now_s)
    known = replace(known, cleaned=replace(record, low_s=low_s))
    low_from_s = max(low_s, blower.since_s) + settings.torn_after_s
    if not context.is_due(low_from_s):
        return known
    if record.row:
        reason = because(
            Because.DP_BELOW_CLEANED_ROW, valve=record.row, dp_pa=dp_pa, cleaned_pa=record.pa
        )
    else:
        reason = because(Because.DP_BELOW_CLEANED, dp_pa=dp_pa, cleaned_pa=record.pa)
    return found(context, known, FindingName.FILTER_TORN, record.row, reason)
