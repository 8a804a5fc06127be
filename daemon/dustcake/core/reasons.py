"""Why: every decision, refusal and change of quality carries one of these, with its numbers.

The core states reasons as codes and SI numbers. Each code has its sentence here, and
``publish.wording`` puts the numbers into it in the units people chose.
"""

from enum import StrEnum

from dustcake.core.record import record


class Because(StrEnum):
    """Codes of reasons, each with the template of its sentence. A template names the numbers of its
    reason, whose endings say their units. ``{x_pa:header}`` is a header pressure; ``{detail}`` is
    what a device or a person said, ``{detail!r}`` the same in quotation marks, ``{detail:title}``
    the name of an alarm, ``{detail:point}`` that of a set point."""

    template: str

    def __new__(cls, code: str, template: str) -> "Because":
        """A member of value ``code``."""
        member = str.__new__(cls, code)
        member._value_ = code
        member.template = template
        return member

    # the reading
    NO_SAMPLE_YET = "no_sample_yet", "nothing has been read yet"
    READ_FAILED = "read_failed", "the transmitter could not be read ({detail})"
    STALE = "stale", "no reading has come for {stale_after_s}"
    NOT_A_NUMBER = "not_a_number", "the transmitter sent something that is not a number"
    WRONG_WORD_COUNT = "wrong_word_count", "the transmitter sent {words} registers, not {wanted}"
    CURRENT_FAILURE = (
        "current_failure",
        "the loop current is {current_ma}: 3.6 mA or less and 21 mA or more mean a failed loop",
    )
    CURRENT_UNCERTAIN = (
        "current_uncertain",
        "the loop current is {current_ma}, outside the 3.8 to 20.5 mA that measure",
    )
    BEYOND_SPAN = "beyond_span", "{dp_pa} is beyond the span of {span_low_pa} to {span_high_pa}"
    ZEROING = "zeroing", "the zero is being taken"
    JUMP_UNEXPLAINED = (
        "jump_unexplained",
        "dP went from {from_pa} to {dp_pa} at once with nothing to explain it; not believed yet",
    )
    # standing doubts about the reading
    ROSE_AT_ONCE = (
        "rose_at_once",
        "dP rose from {from_pa} to {dp_pa} at once and stayed, with nothing to explain it: an "
        "open or leaking sensing line ({detail}), or more flow",
    )
    FELL_AT_ONCE = (
        "fell_at_once",
        "dP fell from {from_pa} to {dp_pa} at once and stayed, with nothing to explain it: an "
        "open or leaking sensing line ({detail}), a torn filter, or less flow",
    )
    FROZEN = (
        "frozen",
        "dP has read {dp_pa} without any change for {frozen_after_s} with the blower running",
    )
    NO_RIPPLE = (
        "no_ripple",
        "dP no longer answers to pulses, by {seen_percent} of itself where {usual_percent} is "
        "usual: sensing line plugged, or no valve fires",
    )
    NOT_TO_ZERO = (
        "not_to_zero",
        "dP still reads {zero_pa} although the blower has been off for {blower_off_s}: sensing "
        "line plugged, or transmitter stuck",
    )
    ZERO_DRIFT = (
        "zero_drift",
        "with the blower off the transmitter reads {zero_pa}, more than {limit_pa} from zero",
    )
    NEGATIVE_WITH_FLOW = (
        "negative_with_flow",
        "dP is {dp_pa} with the blower running: sensing line open ({detail}), or the two swapped",
    )
    ZERO_WITH_FLOW = (
        "zero_with_flow",
        "dP is {dp_pa} with the blower running: both sensing lines open, or no flow",
    )
    # cleaning
    MODE_OFF = "mode_off", "cleaning is switched off"
    BLOWER_OFF = "blower_off", "the blower is off"
    BLOWER_UNKNOWN = "blower_unknown", "the blower contact cannot be read"
    FLOW_NOT_PROVED = (
        "flow_not_proved",
        "flow is not proved: there is no blower contact, and no good reading of {flow_proof_pa} or "
        "more",
    )
    BELOW_HIGH = "below_high", "dP is below the high set point of {high_pa}"
    ON_DELAY = (
        "on_delay",
        "dP is at or above the high set point of {high_pa}, but not yet for {on_delay_s}",
    )
    HIGH_REACHED = "high_reached", "dP {dp_pa} has reached the high set point of {high_pa}"
    ABOVE_LOW = "above_low", "cleaning until dP is down to the low set point of {low_pa}"
    LOW_REACHED = "low_reached", "dP {dp_pa} is down to the low set point of {low_pa}"
    FINISHING_CYCLE = (
        "finishing_cycle",
        "the low set point of {low_pa} has been reached; the cycle under way is finished",
    )
    TIMED_SELECTED = "timed_selected", "timed cleaning is selected: a pulse every {interval_s}"
    BAD_READING_HOLD = "bad_reading_hold", "the reading cannot be trusted, so cleaning waits"
    BAD_READING_WAIT = (
        "bad_reading_wait",
        "the reading has just been lost; cleaning waits for it to come back",
    )
    BAD_READING_FALLBACK = (
        "bad_reading_fallback",
        "the reading cannot be trusted and the blower runs: a pulse every {interval_s}",
    )
    FALLBACK_NEEDS_BLOWER = (
        "fallback_needs_blower",
        "the reading cannot be trusted, and no contact proves that the blower runs",
    )
    LIMIT_OF_CYCLES = (
        "limit_of_cycles",
        "{cycles} full cycles have not brought dP {dp_pa} down to the low set point of {low_pa}",
    )
    RESTING = (
        "resting",
        "{cycles} full cycles did not reach the low set point of {low_pa}; cleaning rests for "
        "{rest_s} before it tries again",
    )
    DOWNTIME = (
        "downtime",
        "downtime cleaning: the blower has stopped; passes over all valves: {passes}",
    )
    DOWNTIME_SPIN_DOWN = (
        "downtime_spin_down",
        "downtime cleaning waits {spin_down_s} for the blower to come to rest",
    )
    DOWNTIME_DONE = "downtime_done", "downtime cleaning is done; passes over all valves: {passes}"
    STOPPING = "stopping", "the daemon is stopping"
    RESTARTED = "restarted", "the daemon has just started"
    # permissives
    SMOKE = "smoke", "the smoke contact reports smoke"
    STOP_INPUT = "stop_input", "the stop input is set"
    DOOR_OPEN = "door_open", "the access door is open"
    CONTACT_UNREADABLE = "contact_unreadable", "a contact cannot be read ({detail})"
    HEADER_LOW = "header_low", "header pressure is below {min_pa:header}"
    HEADER_HIGH = "header_high", "header pressure is above {max_pa:header}"
    HEADER_UNKNOWN = "header_unknown", "header pressure is not known"
    OUTPUTS_UNPROVED = "outputs_unproved", "the valves have not been proved off yet"
    OUTPUTS_FAULT = "outputs_fault", "the outputs do not follow their commands ({detail})"
    JOURNAL_FAULT = "journal_fault", "the journal cannot be written ({detail})"
    SETTLING = "settling", "waiting {settle_s} after the start"
    # alarms
    ABOVE_LIMIT = "above_limit", "dP {dp_pa} is above the limit of {limit_pa}"
    BELOW_LIMIT = "below_limit", "dP {dp_pa} is below the limit of {limit_pa}"
    NOT_CLEANED_BELOW = (
        "not_cleaned_below",
        "dP {dp_pa} has stayed above {limit_pa} through {cycles} full cleaning cycles",
    )
    VALVE_STUCK_OPEN = (
        "valve_stuck_open",
        "a valve reads energised after it was switched off ({detail})",
    )
    PULSES_FAIL = "pulses_fail", "the last {failures} pulses were not carried out"
    BLOWER_NOT_TOLD = (
        "blower_not_told",
        "the blower run output does not follow its command ({detail})",
    )
    NO_LONGER = "no_longer", "no longer so"
    FILTERS_CHANGED = "filters_changed", "the filters have been changed, as recorded"
    TOO_FREQUENT = (
        "too_frequent",
        "{runs} cleaning runs in a row began less than {gap_s} after the one before had ended",
    )
    ALL_UNREADABLE = "all_unreadable", "nothing at all can be read ({detail})"
    BLOWER_SHOULD_RUN = (
        "blower_should_run",
        "the blower contact does not prove it running, and {detail}",
    )
    DRUM_FULL = "drum_full", "the drum contact reports it full"
    CLOCK_NOT_SET = "clock_not_set", "the time of day is not known"
    # what hides an alarm, and what ends that
    READINGS_OFTEN_LOST = (
        "readings_often_lost",
        "only {usable_percent} of the readings of {detail} in the last {within_s} could be used",
    )
    EXPLAINED = "explained", "explained by the alarm {detail:title}"
    START_UP = "start_up", "the blower has not run for {start_delay_s} yet"
    SEASONING = "seasoning", "new filters have not run for {seasoning_s} yet"
    SUPPRESSION_OVER = "suppression_over", "no longer suppressed"
    SHELVED = "shelved", "shelved"
    SHELVING_OVER = "shelving_over", "the time it was shelved for is over"
    UNSHELVED = "unshelved", "unshelved"
    OUT_OF_SERVICE = "out_of_service", "taken out of service"
    IN_SERVICE = "in_service", "put back into service"
    RESET = "reset", "reset"
    NOT_USED = "not_used", "the settings do not use this alarm"
    # findings from pulses
    NO_HEADER_DIP = (
        "no_header_dip",
        "pulses of valve {valve} take {seen_percent} of header pressure, those of the others "
        "{usual_percent}: it does not fire. Check its coil, wiring and pilot, then its diaphragm",
    )
    NO_HEADER_DIP_AT_ALL = (
        "no_header_dip_at_all",
        "pulses take {seen_percent} of header pressure where {usual_percent} is usual: no valve "
        "fires. Check the supply of the valves",
    )
    NO_DP_RESPONSE = (
        "no_dp_response",
        "dP falls by {seen_percent} at pulses of valve {valve}, by {usual_percent} at those of "
        "the others: it does not fire, or its row is blinded. Listen to it at its next pulse",
    )
    ROW_NOT_CLEANED = (
        "row_not_cleaned",
        "dP falls by {seen_percent} at pulses of row {valve}, by {usual_percent} at those of the "
        "others, though its valve takes {dip_percent} of header pressure (others "
        "{usual_dip_percent}). Look for moisture, oil, and dust bridged between the pleats",
    )
    HEADER_EMPTIED_BY_VALVE = (
        "header_emptied_by_valve",
        "header pressure went from {before_header_pa} to {header_pa} within {response_s} of the "
        "pulse of valve {valve}: it stays open. Listen for air that goes on blowing",
    )
    HEADER_EMPTIED = (
        "header_emptied",
        "header pressure went from {before_header_pa} to {header_pa} between two readings, with "
        "no valve commanded: one has opened, or a line has burst. Listen for air that goes on "
        "blowing",
    )
    HEADER_NOT_REFILLED = (
        "header_not_refilled",
        "header pressure was {before_header_pa} before the pulse of valve {valve} and is "
        "{header_pa} {response_s} after it. Check shut-off valve, regulator and compressor, then "
        "listen to that valve",
    )
    HEADER_SLOW = (
        "header_slow",
        "the last {pulses} pulses began at {header_pa} or so, where the header holds "
        "{rest_header_pa} at rest: it does not recover from one pulse to the next. Lengthen the "
        "interval, or check regulator, its filter and the hose",
    )
    HEADER_WEAK = (
        "header_weak",
        "the last {pulses} runs began at {header_pa} or so, where {usual_header_pa} is usual. "
        "Check compressor, regulator and its filter",
    )
    DP_BELOW_CLEANED = (
        "dp_below_cleaned",
        "dP {dp_pa} is well below the {cleaned_pa} that these filters come back to after "
        "cleaning: one is torn or unseated, the flow is less, or a sensing line leaks. Look for "
        "dust in the clean side",
    )
    DP_BELOW_CLEANED_ROW = (
        "dp_below_cleaned_row",
        "dP fell to {dp_pa} at a pulse of row {valve}, well below the {cleaned_pa} that these "
        "filters come back to after cleaning: one there is torn or unseated. Look for dust in the "
        "clean side",
    )
    # requests
    DONE = "done", "done"
    ZERO_STARTED = "zero_started", "the zero is taken over the next {average_s}"
    ALREADY_ZEROING = "already_zeroing", "a zero is already being taken"
    ZERO_BLOWER_NOT_OFF = (
        "zero_blower_not_off",
        "the blower must be proved off, and have been off for {blower_off_s}",
    )
    ZERO_BLOWER_NOT_CONFIRMED = (
        "zero_blower_not_confirmed",
        "no contact proves the blower off: confirm that it stands still and request it again",
    )
    ZERO_WHILE_CLEANING = (
        "zero_while_cleaning",
        "a cleaning run is under way: pulses disturb the reading",
    )
    ZERO_TOO_FAR = (
        "zero_too_far",
        "the transmitter reads {dp_pa} with no flow, more than the {limit_pa} a zero may hide",
    )
    ZERO_READING_LOST = "zero_reading_lost", "the reading was lost while the zero was being taken"
    NO_SUCH_ALARM = "no_such_alarm", "there is no alarm called {detail!r}"
    NOTHING_TO_ACKNOWLEDGE = (
        "nothing_to_acknowledge",
        "alarm {detail:title} does not wait for an acknowledgement",
    )
    NOT_LATCHED = "not_latched", "alarm {detail:title} is not latched"
    ACKNOWLEDGE_FIRST = (
        "acknowledge_first",
        "alarm {detail:title} has to be acknowledged before it is reset",
    )
    CANNOT_BE_SHELVED = "cannot_be_shelved", "alarm {detail:title} is out of service"
    NOT_SHELVED = "not_shelved", "alarm {detail:title} is not shelved"
    NOT_OUT_OF_SERVICE = "not_out_of_service", "alarm {detail:title} is not out of service"
    ALREADY_OUT_OF_SERVICE = (
        "already_out_of_service",
        "alarm {detail:title} is out of service already",
    )
    ALARM_NOT_USED = "alarm_not_used", "the settings do not use alarm {detail:title}"
    SHELVE_TIME = "shelve_time", "an alarm is shelved for some time, {shelve_max_s} at most"
    NO_WHY = "no_why", "say why"
    NO_SUCH_VALVE = "no_such_valve", "there are valves 1 to {valves} only"
    NO_SUCH_UPKEEP = "no_such_upkeep", "the settings have no upkeep called {detail!r}"
    NO_NOTE = "no_note", "write what is to be noted"
    PULSE_STARTED = "pulse_started", "valve {valve} is pulsed once"
    PULSE_BY_SEQUENCER = (
        "pulse_by_sequencer",
        "a sequencer board chooses which valve it pulses: use the test of the board",
    )
    PULSE_WHILE_CLEANING = "pulse_while_cleaning", "cleaning is under way; select mode off first"
    PULSE_WHILE_ZEROING = "pulse_while_zeroing", "the zero is being taken"
    PULSE_TOO_SOON = "pulse_too_soon", "the header gets {interval_s} from one pulse to the next"
    BLOWER_NOT_BY_HAND = "blower_not_by_hand", "the blower is not set up to be run by hand"
    ID_USED = "id_used", "this `id` was that of another request: every request needs a new one"
    # requests that are not let in
    NOT_UNDERSTOOD = "not_understood", "not understood: {detail}"
    NOT_NAMED = "not_named", "`by` must say who asks for this"
    LEVEL_TOO_LOW = "level_too_low", "it needs a higher level: this is taken on {detail} only"
    TOO_MANY = (
        "too_many",
        "more than {per_minute} requests a minute from the same source: those that follow are "
        "refused and not put on record until they are fewer",
    )
    BUSY = "busy", "too many requests are waiting already"
    RETAINED = "retained", "a request must not be a retained message: it would act again and again"
    AGE_NOT_TOLD = (
        "age_not_told",
        "it must say when it was sent: `utc`, or a message expiry interval (MQTT 5) of at most "
        "{expiry_s}",
    )
    AGE_NOT_KNOWN = (
        "age_not_known",
        "the clock of this computer is not set, so the age of a request is not known: send it "
        "with a message expiry interval (MQTT 5) of at most {expiry_s}",
    )
    TOO_OLD = "too_old", "it was sent {age_s} ago, and holds for {expiry_s}"
    FROM_THE_FUTURE = (
        "from_the_future",
        "its `utc` is {ahead_s} ahead of this computer's clock: set both clocks by the network",
    )
    HOLDS_TOO_LONG = (
        "holds_too_long",
        "its message expiry interval is {interval_s}: at most {expiry_s} are allowed",
    )
    NOT_IN_TIME = (
        "not_in_time",
        "the daemon did not get to it within {within_s}; it may still do so",
    )
    # changes of set points
    SET_POINT_FIXED = (
        "set_point_fixed",
        "the settings do not let set point {detail:point} be changed by request",
    )
    PRESSURE_LIMITS = (
        "pressure_limits",
        "set point {detail:point} may be put from {least_pa} to {most_pa}",
    )
    TIME_LIMITS = "time_limits", "set point {detail:point} may be put from {least_s} to {most_s}"
    ON_TIME_STEP = "on_time_step", "the output module can only time multiples of {step_s}"
    LOW_NOT_BELOW_HIGH = "low_not_below_high", "the low set point must be below the high one"
    NOTHING_TO_CHANGE = "nothing_to_change", "these are the set points as they are"
    CONFIRM_CHANGE = "confirm_change", "nothing is changed yet: confirm it within {within_s}"
    NO_SUCH_CHANGE = "no_such_change", "no change {detail} waits to be confirmed: request it again"
    CHANGE_OF_ANOTHER = (
        "change_of_another",
        "only whoever requested it may confirm it, which was {detail}",
    )
    NOT_CONFIRMED = "not_confirmed", "nobody has confirmed it in time"
    CHANGE_REPLACED = "change_replaced", "another change was requested before it was confirmed"


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
