"""Why: every decision, refusal and change of quality carries one of these, with its numbers.

The core states reasons as codes and SI numbers. Each code has its sentence here, and
``publish.wording`` puts the numbers into it in the units people chose.
"""

from enum import StrEnum, auto

from dustcake.core.record import record


def _said(template: str) -> tuple[auto, str]:
    """The code of a reason, which is its name in small letters, and its sentence."""
    return auto(), template


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
    NO_SAMPLE_YET = _said("nothing has been read yet")
    READ_FAILED = _said("the transmitter could not be read ({detail})")
    STALE = _said("no reading has come for {stale_after_s}")
    NOT_A_NUMBER = _said("the transmitter sent something that is not a number")
    WRONG_WORD_COUNT = _said("the transmitter sent {words} registers, not {wanted}")
    CURRENT_FAILURE = _said(
        "the loop current is {current_ma}: 3.6 mA or less and 21 mA or more mean a failed loop"
    )
    CURRENT_UNCERTAIN = _said(
        "the loop current is {current_ma}, outside the 3.8 to 20.5 mA that measure"
    )
    BEYOND_SPAN = _said("{dp_pa} is beyond the span of {span_low_pa} to {span_high_pa}")
    ZEROING = _said("the zero is being taken")
    JUMP_UNEXPLAINED = _said(
        "dP went from {from_pa} to {dp_pa} at once with nothing to explain it; not believed yet"
    )
    # standing doubts about the reading
    ROSE_AT_ONCE = _said(
        "dP rose from {from_pa} to {dp_pa} at once and stayed, with nothing to explain it: an "
        "open or leaking sensing line ({detail}), or more flow"
    )
    FELL_AT_ONCE = _said(
        "dP fell from {from_pa} to {dp_pa} at once and stayed, with nothing to explain it: an "
        "open or leaking sensing line ({detail}), a torn filter, or less flow"
    )
    FROZEN = _said(
        "dP has read {dp_pa} without any change for {frozen_after_s} with the blower running"
    )
    NO_RIPPLE = _said(
        "dP no longer answers to pulses, by {seen_percent} of itself where {usual_percent} is "
        "usual: sensing line plugged, or no valve fires"
    )
    NOT_TO_ZERO = _said(
        "dP still reads {zero_pa} although the blower has been off for {blower_off_s}: sensing "
        "line plugged, or transmitter stuck"
    )
    ZERO_DRIFT = _said(
        "with the blower off the transmitter reads {zero_pa}, more than {limit_pa} from zero"
    )
    NEGATIVE_WITH_FLOW = _said(
        "dP is {dp_pa} with the blower running: sensing line open ({detail}), or the two swapped"
    )
    ZERO_WITH_FLOW = _said(
        "dP is {dp_pa} with the blower running: both sensing lines open, or no flow"
    )
    # cleaning
    MODE_OFF = _said("cleaning is switched off")
    BLOWER_OFF = _said("the blower is off")
    BLOWER_UNKNOWN = _said("the blower contact cannot be read")
    FLOW_NOT_PROVED = _said(
        "flow is not proved: there is no blower contact, and no good reading of {flow_proof_pa} or "
        "more"
    )
    BELOW_HIGH = _said("dP is below the high set point of {high_pa}")
    ON_DELAY = _said(
        "dP is at or above the high set point of {high_pa}, but not yet for {on_delay_s}"
    )
    HIGH_REACHED = _said("dP {dp_pa} has reached the high set point of {high_pa}")
    ABOVE_LOW = _said("cleaning until dP is down to the low set point of {low_pa}")
    LOW_REACHED = _said("dP {dp_pa} is down to the low set point of {low_pa}")
    FINISHING_CYCLE = _said(
        "the low set point of {low_pa} has been reached; the cycle under way is finished"
    )
    TIMED_SELECTED = _said("timed cleaning is selected: a pulse every {interval_s}")
    BAD_READING_HOLD = _said("the reading cannot be trusted, so cleaning waits")
    BAD_READING_WAIT = _said("the reading has just been lost; cleaning waits for it to come back")
    BAD_READING_FALLBACK = _said(
        "the reading cannot be trusted and the blower runs: a pulse every {interval_s}"
    )
    FALLBACK_NEEDS_BLOWER = _said(
        "the reading cannot be trusted, and no contact proves that the blower runs"
    )
    LIMIT_OF_CYCLES = _said(
        "{cycles} full cycles have not brought dP {dp_pa} down to the low set point of {low_pa}"
    )
    RESTING = _said(
        "{cycles} full cycles did not reach the low set point of {low_pa}; cleaning rests for "
        "{rest_s} before it tries again"
    )
    DOWNTIME = _said("downtime cleaning: the blower has stopped; passes over all valves: {passes}")
    DOWNTIME_SPIN_DOWN = _said(
        "downtime cleaning waits {spin_down_s} for the blower to come to rest"
    )
    DOWNTIME_DONE = _said("downtime cleaning is done; passes over all valves: {passes}")
    STOPPING = _said("the daemon is stopping")
    RESTARTED = _said("the daemon has just started")
    # permissives
    SMOKE = _said("the smoke contact reports smoke")
    STOP_INPUT = _said("the stop input is set")
    DOOR_OPEN = _said("the access door is open")
    CONTACT_UNREADABLE = _said("a contact cannot be read ({detail})")
    HEADER_LOW = _said("header pressure is below {min_pa:header}")
    HEADER_HIGH = _said("header pressure is above {max_pa:header}")
    HEADER_UNKNOWN = _said("header pressure is not known")
    OUTPUTS_UNPROVED = _said("the valves have not been proved off yet")
    OUTPUTS_FAULT = _said("the outputs do not follow their commands ({detail})")
    JOURNAL_FAULT = _said("the journal cannot be written ({detail})")
    SETTLING = _said("waiting {settle_s} after the start")
    # alarms
    ABOVE_LIMIT = _said("dP {dp_pa} is above the limit of {limit_pa}")
    BELOW_LIMIT = _said("dP {dp_pa} is below the limit of {limit_pa}")
    NOT_CLEANED_BELOW = _said(
        "dP {dp_pa} has stayed above {limit_pa} through {cycles} full cleaning cycles"
    )
    VALVE_STUCK_OPEN = _said("a valve reads energised after it was switched off ({detail})")
    PULSES_FAIL = _said("the last {failures} pulses were not carried out")
    BLOWER_NOT_TOLD = _said("the blower run output does not follow its command ({detail})")
    NO_LONGER = _said("no longer so")
    FILTERS_CHANGED = _said("the filters have been changed, as recorded")
    TOO_FREQUENT = _said(
        "{runs} cleaning runs in a row began less than {gap_s} after the one before had ended"
    )
    ALL_UNREADABLE = _said("nothing at all can be read ({detail})")
    BLOWER_SHOULD_RUN = _said("the blower contact does not prove it running, and {detail}")
    DRUM_FULL = _said("the drum contact reports it full")
    CLOCK_NOT_SET = _said("the time of day is not known")
    READINGS_OFTEN_LOST = _said(
        "only {usable_percent} of the readings of {detail} in the last {within_s} could be used"
    )
    # what hides an alarm, and what ends that
    EXPLAINED = _said("explained by the alarm {detail:title}")
    START_UP = _said("the blower has not run for {start_delay_s} yet")
    SEASONING = _said("new filters have not run for {seasoning_s} yet")
    SUPPRESSION_OVER = _said("no longer suppressed")
    SHELVED = _said("shelved")
    SHELVING_OVER = _said("the time it was shelved for is over")
    UNSHELVED = _said("unshelved")
    OUT_OF_SERVICE = _said("taken out of service")
    IN_SERVICE = _said("put back into service")
    RESET = _said("reset")
    NOT_USED = _said("the settings do not use this alarm")
    # findings from pulses
    NO_HEADER_DIP = _said(
        "pulses of valve {valve} take {seen_percent} of header pressure, those of the others "
        "{usual_percent}: it does not fire. Check its coil, wiring and pilot, then its diaphragm"
    )
    NO_HEADER_DIP_AT_ALL = _said(
        "pulses take {seen_percent} of header pressure where {usual_percent} is usual: no valve "
        "fires. Check the supply of the valves"
    )
    NO_DP_RESPONSE = _said(
        "dP falls by {seen_percent} at pulses of valve {valve}, by {usual_percent} at those of "
        "the others: it does not fire, or its row is blinded. Listen to it at its next pulse"
    )
    ROW_NOT_CLEANED = _said(
        "dP falls by {seen_percent} at pulses of row {valve}, by {usual_percent} at those of the "
        "others, though its valve takes {dip_percent} of header pressure (others "
        "{usual_dip_percent}). Look for moisture, oil, and dust bridged between the pleats"
    )
    HEADER_EMPTIED_BY_VALVE = _said(
        "header pressure went from {before_header_pa} to {header_pa} within {response_s} of the "
        "pulse of valve {valve}: it stays open. Listen for air that goes on blowing"
    )
    HEADER_EMPTIED = _said(
        "header pressure went from {before_header_pa} to {header_pa} between two readings, with "
        "no valve commanded: one has opened, or a line has burst. Listen for air that goes on "
        "blowing"
    )
    HEADER_NOT_REFILLED = _said(
        "header pressure was {before_header_pa} before the pulse of valve {valve} and is "
        "{header_pa} {response_s} after it. Check shut-off valve, regulator and compressor, then "
        "listen to that valve"
    )
    HEADER_SLOW = _said(
        "the last {pulses} pulses began at {header_pa} or so, where the header holds "
        "{rest_header_pa} at rest: it does not recover from one pulse to the next. Lengthen the "
        "interval, or check regulator, its filter and the hose"
    )
    HEADER_WEAK = _said(
        "the last {pulses} runs began at {header_pa} or so, where {usual_header_pa} is usual. "
        "Check compressor, regulator and its filter"
    )
    DP_BELOW_CLEANED = _said(
        "dP {dp_pa} is well below the {cleaned_pa} that these filters come back to after "
        "cleaning: one is torn or unseated, the flow is less, or a sensing line leaks. Look for "
        "dust in the clean side"
    )
    DP_BELOW_CLEANED_ROW = _said(
        "dP fell to {dp_pa} at a pulse of row {valve}, well below the {cleaned_pa} that these "
        "filters come back to after cleaning: one there is torn or unseated. Look for dust in the "
        "clean side"
    )
    # requests
    DONE = _said("done")
    ZERO_STARTED = _said("the zero is taken over the next {average_s}")
    ALREADY_ZEROING = _said("a zero is already being taken")
    ZERO_BLOWER_NOT_OFF = _said(
        "the blower must be proved off, and have been off for {blower_off_s}"
    )
    ZERO_BLOWER_NOT_CONFIRMED = _said(
        "no contact proves the blower off: confirm that it stands still and request it again"
    )
    ZERO_WHILE_CLEANING = _said("a cleaning run is under way: pulses disturb the reading")
    ZERO_TOO_FAR = _said(
        "the transmitter reads {dp_pa} with no flow, more than the {limit_pa} a zero may hide"
    )
    ZERO_READING_LOST = _said("the reading was lost while the zero was being taken")
    NO_SUCH_ALARM = _said("there is no alarm called {detail!r}")
    NOTHING_TO_ACKNOWLEDGE = _said("alarm {detail:title} does not wait for an acknowledgement")
    NOT_LATCHED = _said("alarm {detail:title} is not latched")
    ACKNOWLEDGE_FIRST = _said("alarm {detail:title} has to be acknowledged before it is reset")
    CANNOT_BE_SHELVED = _said("alarm {detail:title} is out of service")
    NOT_SHELVED = _said("alarm {detail:title} is not shelved")
    NOT_OUT_OF_SERVICE = _said("alarm {detail:title} is not out of service")
    ALREADY_OUT_OF_SERVICE = _said("alarm {detail:title} is out of service already")
    ALARM_NOT_USED = _said("the settings do not use alarm {detail:title}")
    SHELVE_TIME = _said("an alarm is shelved for some time, {shelve_max_s} at most")
    NO_WHY = _said("say why")
    NO_SUCH_VALVE = _said("there are valves 1 to {valves} only")
    NO_SUCH_UPKEEP = _said("the settings have no upkeep called {detail!r}")
    NO_NOTE = _said("write what is to be noted")
    PULSE_STARTED = _said("valve {valve} is pulsed once")
    PULSE_BY_SEQUENCER = _said(
        "a sequencer board chooses which valve it pulses: use the test of the board"
    )
    PULSE_WHILE_CLEANING = _said("cleaning is under way; select mode off first")
    PULSE_WHILE_ZEROING = _said("the zero is being taken")
    PULSE_TOO_SOON = _said("the header gets {interval_s} from one pulse to the next")
    BLOWER_NOT_BY_HAND = _said("the blower is not set up to be run by hand")
    ID_USED = _said("this `id` was that of another request: every request needs a new one")
    # requests that are not let in
    NOT_UNDERSTOOD = _said("not understood: {detail}")
    NOT_NAMED = _said("`by` must say who asks for this")
    LEVEL_TOO_LOW = _said("it needs a higher level: this is taken on {detail} only")
    TOO_MANY = _said(
        "more than {per_minute} requests a minute from the same source: those that follow are "
        "refused and not put on record until they are fewer"
    )
    BUSY = _said("too many requests are waiting already")
    RETAINED = _said("a request must not be a retained message: it would act again and again")
    AGE_NOT_TOLD = _said(
        "it must say when it was sent: `utc`, the timestamp of a Sparkplug payload, or a message "
        "expiry interval (MQTT 5) of at most {expiry_s}"
    )
    AGE_NOT_KNOWN = _said(
        "the clock of this computer is not set, so the age of a request is not known: send it, "
        "unless by Sparkplug, with a message expiry interval (MQTT 5) of at most {expiry_s}"
    )
    TOO_OLD = _said("it was sent {age_s} ago, and holds for {expiry_s}")
    FROM_THE_FUTURE = _said(
        "it was sent {ahead_s} ahead of this computer's clock: set both clocks by the network"
    )
    HOLDS_TOO_LONG = _said(
        "its message expiry interval is {interval_s}: at most {expiry_s} are allowed"
    )
    NOT_IN_TIME = _said("the daemon did not get to it within {within_s}; it may still do so")
    # changes of set points
    SET_POINT_FIXED = _said(
        "the settings do not let set point {detail:point} be changed by request"
    )
    PRESSURE_LIMITS = _said("set point {detail:point} may be put from {least_pa} to {most_pa}")
    TIME_LIMITS = _said("set point {detail:point} may be put from {least_s} to {most_s}")
    ON_TIME_STEP = _said("the output module can only time multiples of {step_s}")
    LOW_NOT_BELOW_HIGH = _said("the low set point must be below the high one")
    NOTHING_TO_CHANGE = _said("these are the set points as they are")
    CONFIRM_CHANGE = _said("nothing is changed yet: confirm it within {within_s}")
    NO_SUCH_CHANGE = _said("no change {detail} waits to be confirmed: request it again")
    CHANGE_OF_ANOTHER = _said("only whoever requested it may confirm it, which was {detail}")
    NOT_CONFIRMED = _said("nobody has confirmed it in time")
    CHANGE_REPLACED = _said("another change was requested before it was confirmed")


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
