"""Why: every decision, refusal and change of quality carries one of these, with its numbers.

The core states reasons as codes and SI numbers; ``publish.wording`` turns them into sentences in
the units people chose. A test holds the two lists together.
"""

from enum import StrEnum

from dustcake.core.record import record


class Because(StrEnum):
    """Codes of reasons. Numbers that go with each are named in ``publish.wording``."""

    # the reading
    NO_SAMPLE_YET = "no_sample_yet"
    READ_FAILED = "read_failed"
    STALE = "stale"
    NOT_A_NUMBER = "not_a_number"
    WRONG_WORD_COUNT = "wrong_word_count"
    CURRENT_FAILURE = "current_failure"
    CURRENT_UNCERTAIN = "current_uncertain"
    BEYOND_SPAN = "beyond_span"
    ZEROING = "zeroing"
    JUMP_UNEXPLAINED = "jump_unexplained"
    # standing doubts about the reading
    ROSE_AT_ONCE = "rose_at_once"
    FELL_AT_ONCE = "fell_at_once"
    FROZEN = "frozen"
    NO_RIPPLE = "no_ripple"
    NOT_TO_ZERO = "not_to_zero"
    ZERO_DRIFT = "zero_drift"
    NEGATIVE_WITH_FLOW = "negative_with_flow"
    ZERO_WITH_FLOW = "zero_with_flow"
    # cleaning
    MODE_OFF = "mode_off"
    BLOWER_OFF = "blower_off"
    BLOWER_UNKNOWN = "blower_unknown"
    BELOW_HIGH = "below_high"
    ON_DELAY = "on_delay"
    HIGH_REACHED = "high_reached"
    ABOVE_LOW = "above_low"
    LOW_REACHED = "low_reached"
    FINISHING_CYCLE = "finishing_cycle"
    TIMED_SELECTED = "timed_selected"
    BAD_READING_HOLD = "bad_reading_hold"
    BAD_READING_WAIT = "bad_reading_wait"
    BAD_READING_FALLBACK = "bad_reading_fallback"
    FALLBACK_NEEDS_BLOWER = "fallback_needs_blower"
    LIMIT_OF_CYCLES = "limit_of_cycles"
    RESTING = "resting"
    DOWNTIME = "downtime"
    DOWNTIME_SPIN_DOWN = "downtime_spin_down"
    DOWNTIME_DONE = "downtime_done"
    STOPPING = "stopping"
    RESTARTED = "restarted"
    # permissives
    SMOKE = "smoke"
    STOP_INPUT = "stop_input"
    DOOR_OPEN = "door_open"
    CONTACT_UNREADABLE = "contact_unreadable"
    HEADER_LOW = "header_low"
    HEADER_HIGH = "header_high"
    HEADER_UNKNOWN = "header_unknown"
    OUTPUTS_UNPROVED = "outputs_unproved"
    OUTPUTS_FAULT = "outputs_fault"
    JOURNAL_FAULT = "journal_fault"
    SETTLING = "settling"
    # alarms
    ABOVE_LIMIT = "above_limit"
    BELOW_LIMIT = "below_limit"
    NOT_CLEANED_BELOW = "not_cleaned_below"
    VALVE_STUCK_OPEN = "valve_stuck_open"
    PULSES_FAIL = "pulses_fail"
    BLOWER_NOT_TOLD = "blower_not_told"
    NO_LONGER = "no_longer"
    FILTERS_CHANGED = "filters_changed"
    TOO_FREQUENT = "too_frequent"
    ALL_UNREADABLE = "all_unreadable"
    BLOWER_SHOULD_RUN = "blower_should_run"
    DRUM_FULL = "drum_full"
    CLOCK_NOT_SET = "clock_not_set"
    # what hides an alarm, and what ends that
    EXPLAINED = "explained"
    START_UP = "start_up"
    SEASONING = "seasoning"
    SUPPRESSION_OVER = "suppression_over"
    SHELVED = "shelved"
    SHELVING_OVER = "shelving_over"
    UNSHELVED = "unshelved"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"
    RESET = "reset"
    NOT_USED = "not_used"
    # findings from pulses
    NO_HEADER_DIP = "no_header_dip"
    NO_HEADER_DIP_AT_ALL = "no_header_dip_at_all"
    NO_DP_RESPONSE = "no_dp_response"
    ROW_NOT_CLEANED = "row_not_cleaned"
    HEADER_EMPTIED_BY_VALVE = "header_emptied_by_valve"
    HEADER_EMPTIED = "header_emptied"
    HEADER_NOT_REFILLED = "header_not_refilled"
    HEADER_SLOW = "header_slow"
    HEADER_WEAK = "header_weak"
    DP_BELOW_CLEANED = "dp_below_cleaned"
    DP_BELOW_CLEANED_ROW = "dp_below_cleaned_row"
    # requests
    DONE = "done"
    ZERO_STARTED = "zero_started"
    ALREADY_ZEROING = "already_zeroing"
    ZERO_BLOWER_NOT_OFF = "zero_blower_not_off"
    ZERO_BLOWER_NOT_CONFIRMED = "zero_blower_not_confirmed"
    ZERO_WHILE_CLEANING = "zero_while_cleaning"
    ZERO_TOO_FAR = "zero_too_far"
    ZERO_READING_LOST = "zero_reading_lost"
    NO_SUCH_ALARM = "no_such_alarm"
    NOTHING_TO_ACKNOWLEDGE = "nothing_to_acknowledge"
    NOT_LATCHED = "not_latched"
    ACKNOWLEDGE_FIRST = "acknowledge_first"
    CANNOT_BE_SHELVED = "cannot_be_shelved"
    NOT_SHELVED = "not_shelved"
    NOT_OUT_OF_SERVICE = "not_out_of_service"
    ALREADY_OUT_OF_SERVICE = "already_out_of_service"
    ALARM_NOT_USED = "alarm_not_used"
    SHELVE_TIME = "shelve_time"
    NO_WHY = "no_why"
    NO_SUCH_VALVE = "no_such_valve"
    NO_SUCH_UPKEEP = "no_such_upkeep"
    NO_NOTE = "no_note"
    BLOWER_NOT_BY_HAND = "blower_not_by_hand"
    ID_USED = "id_used"
    # requests that are not let in
    NOT_UNDERSTOOD = "not_understood"
    NOT_NAMED = "not_named"
    LEVEL_TOO_LOW = "level_too_low"
    TOO_MANY = "too_many"
    BUSY = "busy"
    RETAINED = "retained"
    AGE_NOT_TOLD = "age_not_told"
    AGE_NOT_KNOWN = "age_not_known"
    TOO_OLD = "too_old"
    FROM_THE_FUTURE = "from_the_future"
    HOLDS_TOO_LONG = "holds_too_long"
    NOT_IN_TIME = "not_in_time"
    # changes of set points
    SET_POINT_FIXED = "set_point_fixed"
    PRESSURE_LIMITS = "pressure_limits"
    TIME_LIMITS = "time_limits"
    ON_TIME_STEP = "on_time_step"
    LOW_NOT_BELOW_HIGH = "low_not_below_high"
    NOTHING_TO_CHANGE = "nothing_to_change"
    CONFIRM_CHANGE = "confirm_change"
    NO_SUCH_CHANGE = "no_such_change"
    CHANGE_OF_ANOTHER = "change_of_another"
    NOT_CONFIRMED = "not_confirmed"
    CHANGE_REPLACED = "change_replaced"


@record
class Reason:
    """One reason. ``values``: named numbers, units in the names; ``detail``: words from outside,
    such as which device did not answer."""

    code: Because
    values: tuple[tuple[str, float], ...] = ()
    detail: str = ""


def because(code: Because, detail: str = "", **values: float) -> Reason:
    """Build a reason: ``because(Because.HIGH_REACHED, dp_pa=1003.0, high_pa=1000.0)``."""
    return Reason(code, tuple(values.items()), detail)
