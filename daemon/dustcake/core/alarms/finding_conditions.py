"""Alarms that rest on doubts about the reading and on findings from pulses."""

from dustcake.core.alarms.life import Condition
from dustcake.core.pulse_response.findings import standing
from dustcake.core.pulse_response.state import FindingName
from dustcake.core.reasons import Because, because
from dustcake.core.signal_validation.state import OF_THE_LINE, find
from dustcake.core.state import State
from dustcake.core.step_context import StepContext

_CLEAR: Condition = (False, because(Because.NO_LONGER))


def _finding(state: State, *names: FindingName) -> Condition:
    if not state.diagnosis.findings:
        return _CLEAR
    found = (standing(state.diagnosis, name) for name in names)
    return next(((True, finding.reason) for finding in found if finding is not None), _CLEAR)


def _doubt(state: State, *codes: Because) -> Condition:
    doubt = find(state.trust.doubts, *codes)
    return _CLEAR if doubt is None else (True, doubt.reason)


def sensing_line_suspect(_context: StepContext, state: State) -> Condition:
    """The reading is not that of the filters, and a line may be why."""
    return _doubt(state, *OF_THE_LINE)


def zero_drift(_context: StepContext, state: State) -> Condition:
    """Zero has moved."""
    return _doubt(state, Because.ZERO_DRIFT)


def valve_does_not_fire(_context: StepContext, state: State) -> Condition:
    """One valve, or all."""
    return _finding(state, FindingName.VALVE_DOES_NOT_FIRE)


def valve_stuck_open(state: State) -> Condition:
    """The header empties through a valve that nobody holds open."""
    return _finding(state, FindingName.VALVE_STUCK_OPEN)


def header_not_recovering(_context: StepContext, state: State) -> Condition:
    """Weak at rest, slow to recover, or not refilled at all."""
    return _finding(
        state,
        FindingName.HEADER_NOT_REFILLED,
        FindingName.HEADER_SLOW,
        FindingName.HEADER_WEAK,
    )


def filter_torn(_context: StepContext, state: State) -> Condition:
    """dP too low for these filters, or fallen at once."""
    calls = _finding(state, FindingName.FILTER_TORN)
    return calls if calls[0] else _doubt(state, Because.FELL_AT_ONCE)


def row_not_recovering(_context: StepContext, state: State) -> Condition:
    """A row that its pulses do not clean."""
    return _finding(state, FindingName.ROW_NOT_RECOVERING)
