"""What an alarm is: its name and priority, and its life as data.

States and transitions are those of ISA-18.2-2016 / IEC 62682:2022 (letters A to I there; from
memory). How a condition is judged before it triggers anything follows OPC UA Part 9, v1.05 (4.8 and
B.1.5). What the standard leaves open is decided here and marked (ours). ``life`` goes from state to
state by this table only; the diagram in config/alarms.md is drawn from it.
"""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from dustcake.core.reasons import Because, Reason
from dustcake.core.record import record


class AlarmName(StrEnum):
    """The alarms this daemon can raise."""

    # The place of each, from 0, is its bit in the registers for a PLC: a new one goes to the end.
    FILTER_REPLACEMENT = "filter_replacement"
    HIGH_DP = "high_dp"
    LOW_DP = "low_dp"
    CLEANING_NOT_EFFECTIVE = "cleaning_not_effective"
    HEADER_PRESSURE_LOW = "header_pressure_low"
    HEADER_TRANSMITTER_FAULT = "header_transmitter_fault"
    TRANSMITTER_FAULT = "transmitter_fault"
    OUTPUTS_LOST = "outputs_lost"
    VALVE_STUCK_OPEN = "valve_stuck_open"
    SMOKE = "smoke"
    JOURNAL_FAULT = "journal_fault"
    CLEANING_TOO_FREQUENT = "cleaning_too_frequent"
    FIELDBUS_LOST = "fieldbus_lost"
    BLOWER_NOT_PROVED = "blower_not_proved"
    DRUM_FULL = "drum_full"
    CLOCK_NOT_SET = "clock_not_set"
    SENSING_LINE_SUSPECT = "sensing_line_suspect"
    ZERO_DRIFT = "zero_drift"
    VALVE_DOES_NOT_FIRE = "valve_does_not_fire"
    HEADER_NOT_RECOVERING = "header_not_recovering"
    FILTER_TORN = "filter_torn"
    ROW_NOT_RECOVERING = "row_not_recovering"
    READINGS_OFTEN_LOST = "readings_often_lost"


class Priority(StrEnum):
    """How soon somebody must act: three priorities, as alarm management recommends."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@record
class AlarmSetting:
    """Delays and priority of one alarm; ``enabled`` False: it is not used. ``latching``: once it
    has been active it stays until somebody resets it."""

    name: AlarmName
    enabled: bool
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    latching: bool = False


class AlarmState(StrEnum):
    """State of an alarm, with its letter in the standard."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B: active, and nobody has said they know
    ACKNOWLEDGED = "acknowledged"  # C: active, and somebody knows
    RETURNED = "returned"  # D: no longer active, but nobody has said they knew
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"  # E: as D, and it has to be reset as well
    LATCHED = "latched"  # F: no longer active, somebody knows, but it has not been reset
    SHELVED = "shelved"  # G: set aside by a person, for a limited time
    SUPPRESSED = "suppressed_by_design"  # H: it would mean nothing now, or another explains it
    OUT_OF_SERVICE = "out_of_service"  # I: taken out by a person, until one puts it back


class Trigger(StrEnum):
    """What moves an alarm."""

    RAISE = "raise"  # the condition has held for its on-delay
    CLEAR = "clear"  # it has been gone for its off-delay, and the alarm does not latch
    CLEAR_LATCHING = "clear_latching"  # the same, and it latches
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"  # by hand, or the time is over
    SUPPRESS = "suppress"  # designed logic: blower off, start-up, zeroing, seasoning
    EXPLAIN = "explain"  # designed logic: the condition holds, and another alarm says why (ours)
    UNSUPPRESS = "unsuppress"
    REMOVE = "remove"  # from service
    RESTORE = "restore"  # to service
    DISABLE = "disable"  # the settings do not use it any longer (ours)


_A, _B, _C = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
_D, _E = AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED
_F, _G = AlarmState.LATCHED, AlarmState.SHELVED
_H, _I = AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE

IN_VIEW = (_A, _B, _C, _D, _E, _F)
"""States in which the alarm is what it looks like; out of the others it is judged afresh."""
ACTIVE = (_B, _C)
"""States in which an alarm in view is active."""

_ANY = {Trigger.SHELVE: _G, Trigger.SUPPRESS: _H, Trigger.REMOVE: _I, Trigger.DISABLE: _A}

# An alarm already raised is not explained away: only one that is not active may be (ours).
# Nothing suppresses a shelved alarm, and nothing but its restoring brings one back to service
# (ours): otherwise the end of the suppression would end what a person decided.
_ROWS: dict[AlarmState, dict[Trigger, AlarmState]] = {
    _A: {
        Trigger.RAISE: _B,
        Trigger.EXPLAIN: _H,
        Trigger.SHELVE: _G,
        Trigger.SUPPRESS: _H,
        Trigger.REMOVE: _I,
    },
    _B: {Trigger.ACKNOWLEDGE: _C, Trigger.CLEAR: _D, Trigger.CLEAR_LATCHING: _E, **_ANY},
    _C: {Trigger.CLEAR: _A, Trigger.CLEAR_LATCHING: _F, **_ANY},
    _D: {Trigger.ACKNOWLEDGE: _A, Trigger.RAISE: _B, Trigger.EXPLAIN: _H, **_ANY},
    _E: {Trigger.ACKNOWLEDGE: _F, Trigger.RAISE: _B, Trigger.EXPLAIN: _H, **_ANY},
    _F: {Trigger.RESET: _A, Trigger.RAISE: _B, Trigger.EXPLAIN: _H, **_ANY},
    _G: {Trigger.UNSHELVE: _A, Trigger.SHELVE: _G, Trigger.REMOVE: _I, Trigger.DISABLE: _A},
    _H: {Trigger.UNSUPPRESS: _A, **_ANY},
    _I: {Trigger.RESTORE: _A, Trigger.DISABLE: _A},
}

TABLE: Mapping[tuple[AlarmState, Trigger], AlarmState] = MappingProxyType(
    {(state, trigger): to for state, row in _ROWS.items() for trigger, to in row.items()}
)
"""Every transition there is. What is not here does not happen, and a person who asks for it is
refused."""


@record
class Alarm:
    """One alarm, as it is remembered.

    ``condition_active``: its condition after its delays, followed also while the alarm is shelved
    or out of service; ``pending_s``: since when the condition has demanded the opposite.
    ``since_utc_s``: when it entered ``state``, None where the clock was not known. ``by`` and
    ``why``: who brought it there, and what they gave as the reason. ``until_s``: when shelving
    ends, and ``until_utc_s`` the same for people. ``cause``: the alarm that explains it.
    ``relatch``: it latches, and has been active since it went out of view or before, so that it is
    not to come back as if nothing had been.
    """

    name: AlarmName
    state: AlarmState = AlarmState.NORMAL
    pending_s: float | None = None
    since_utc_s: float | None = None
    reason: Reason = Reason(Because.RESTARTED)
    by: str = ""
    condition_active: bool = False
    why: str = ""
    until_s: float | None = None
    until_utc_s: float | None = None
    cause: AlarmName | None = None
    relatch: bool = False

    @property
    def explained(self) -> bool:
        """Suppressed because another alarm says why; ``cause`` is None when that one has gone and
        it is being seen whether this one is still active."""
        return self.state is AlarmState.SUPPRESSED and self.reason.code is Because.EXPLAINED
