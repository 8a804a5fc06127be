"""Reasons as sentences, in the units people chose. One template for each code of ``Because``."""

from dustcake.core.events import SettingChanged
from dustcake.core.reasons import Because, Reason
from dustcake.publish.alarm_texts import ALARM_TITLES, alarm_title
from dustcake.units import PressureUnit, show

# A template names the numbers of its reason. {detail} is what a device or a person said.
SENTENCES: dict[Because, str] = {
    Because.NO_SAMPLE_YET: "nothing has been read yet",
    Because.READ_FAILED: "the transmitter could not be read ({detail})",
    Because.STALE: "no reading has come for {stale_after_s}",
    Because.NOT_A_NUMBER: "the transmitter sent something that is not a number",
    Because.WRONG_WORD_COUNT: "the transmitter sent {words} registers, not {wanted}",
    Because.CURRENT_FAILURE: (
        "the loop current is {current_ma} mA: 3.6 mA or less and 21 mA or more mean a failed loop"
    ),
    Because.CURRENT_UNCERTAIN: (
        "the loop current is {current_ma} mA, outside the 3.8 to 20.5 mA that measure"
    ),
    Because.BEYOND_SPAN: "{dp_pa} is beyond the span of {span_low_pa} to {span_high_pa}",
    Because.ZEROING: "the zero is being taken",
    Because.JUMP_UNEXPLAINED: (
        "dP went from {from_pa} to {dp_pa} at once with nothing to explain it; not believed yet"
    ),
    Because.ROSE_AT_ONCE: (
        "dP rose from {from_pa} to {dp_pa} at once and stayed, with nothing to explain it: an open "
        "or leaking sensing line ({detail}), or more flow"
    ),
    Because.FELL_AT_ONCE: (
        "dP fell from {from_pa} to {dp_pa} at once and stayed, with nothing to explain it: an open "
        "or leaking sensing line ({detail}), a torn filter, or less flow"
    ),
    Because.FROZEN: (
        "dP has read {dp_pa} without any change for {frozen_after_s} with the blower running"
    ),
    Because.NO_RIPPLE: (
        "dP no longer answers to pulses, by {seen_percent} % of itself where {usual_percent} % is "
        "usual: sensing line plugged, or no valve fires"
    ),
    Because.NOT_TO_ZERO: (
        "dP still reads {zero_pa} although the blower has been off for {blower_off_s}: sensing "
        "line plugged, or transmitter stuck"
    ),
    Because.ZERO_DRIFT: (
        "with the blower off the transmitter reads {zero_pa}, more than {limit_pa} from zero"
    ),
    Because.NEGATIVE_WITH_FLOW: (
        "dP is {dp_pa} with the blower running: sensing line open ({detail}), or the two swapped"
    ),
    Because.ZERO_WITH_FLOW: (
        "dP is {dp_pa} with the blower running: both sensing lines open, or no flow"
    ),
    Because.MODE_OFF: "cleaning is switched off",
    Because.BLOWER_OFF: "the blower is off",
    Because.BLOWER_UNKNOWN: "the blower contact cannot be read",
    Because.FLOW_NOT_PROVED: (
        "flow is not proved: there is no blower contact, and no good reading of {flow_proof_pa} or "
        "more"
    ),
    Because.BELOW_HIGH: "dP is below the high set point of {high_pa}",
    Because.ON_DELAY: (
        "dP is at or above the high set point of {high_pa}, but not yet for {on_delay_s}"
    ),
    Because.HIGH_REACHED: "dP {dp_pa} has reached the high set point of {high_pa}",
    Because.ABOVE_LOW: "cleaning until dP is down to the low set point of {low_pa}",
    Because.LOW_REACHED: "dP {dp_pa} is down to the low set point of {low_pa}",
    Because.FINISHING_CYCLE: (
        "the low set point of {low_pa} has been reached; the cycle under way is finished"
    ),
    Because.TIMED_SELECTED: "timed cleaning is selected: a pulse every {interval_s}",
    Because.BAD_READING_HOLD: "the reading cannot be trusted, so cleaning waits",
    Because.BAD_READING_WAIT: "the reading has just been lost; cleaning waits for it to come back",
    Because.BAD_READING_FALLBACK: (
        "the reading cannot be trusted and the blower runs: a pulse every {interval_s}"
    ),
    Because.FALLBACK_NEEDS_BLOWER: (
        "the reading cannot be trusted, and no contact proves that the blower runs"
    ),
    Because.LIMIT_OF_CYCLES: (
        "{cycles} full cycles have not brought dP {dp_pa} down to the low set point of {low_pa}"
    ),
    Because.RESTING: (
        "{cycles} full cycles did not reach the low set point of {low_pa}; "
        "cleaning rests for {rest_s} before it tries again"
    ),
    Because.DOWNTIME: "downtime cleaning: the blower has stopped; passes over all valves: {passes}",
    Because.DOWNTIME_SPIN_DOWN: (
        "downtime cleaning waits {spin_down_s} for the blower to come to rest"
    ),
    Because.DOWNTIME_DONE: "downtime cleaning is done; passes over all valves: {passes}",
    Because.STOPPING: "the daemon is stopping",
    Because.RESTARTED: "the daemon has just started",
    Because.SMOKE: "the smoke contact reports smoke",
    Because.STOP_INPUT: "the stop input is set",
    Because.DOOR_OPEN: "the access door is open",
    Because.CONTACT_UNREADABLE: "a contact cannot be read ({detail})",
    Because.HEADER_LOW: "header pressure is below {min_pa}",
    Because.HEADER_HIGH: "header pressure is above {max_pa}",
    Because.HEADER_UNKNOWN: "header pressure is not known",
    Because.OUTPUTS_UNPROVED: "the valves have not been proved off yet",
    Because.OUTPUTS_FAULT: "the outputs do not do what they are told ({detail})",
    Because.JOURNAL_FAULT: "the journal cannot be written ({detail})",
    Because.SETTLING: "waiting {settle_s} after the start",
    Because.ABOVE_LIMIT: "dP {dp_pa}, limit {limit_pa}",
    Because.BELOW_LIMIT: "dP {dp_pa}, limit {limit_pa}",
    Because.NOT_CLEANED_BELOW: (
        "dP {dp_pa} has stayed above {limit_pa} through {cycles} full cleaning cycles"
    ),
    Because.VALVE_STUCK_OPEN: "a valve reads energised after it was switched off ({detail})",
    Because.PULSES_FAIL: "the last {failures} pulses were not carried out ({detail})",
    Because.BLOWER_NOT_TOLD: "the blower run output does not do what it is told ({detail})",
    Because.NO_LONGER: "no longer so",
    Because.FILTERS_CHANGED: "the filters have been changed, as recorded",
    Because.TOO_FREQUENT: (
        "{runs} cleaning runs in a row began less than {gap_s} after the one before had ended"
    ),
    Because.ALL_UNREADABLE: "nothing at all can be read ({detail})",
    Because.BLOWER_SHOULD_RUN: "the blower contact does not prove it running, and {detail}",
    Because.DRUM_FULL: "the drum contact reports it full",
    Because.CLOCK_NOT_SET: "the time of day is not known",
    Because.READINGS_OFTEN_LOST: (
        "only {usable_percent} % of the readings of {detail} in the last {within_s} could be used"
    ),
    Because.EXPLAINED: "explained by the alarm {detail:title}",
    Because.START_UP: "the blower has not run for {start_delay_s} yet",
    Because.SEASONING: "new filters have not run for {seasoning_s} yet",
    Because.SUPPRESSION_OVER: "no longer suppressed",
    Because.SHELVED: "shelved",
    Because.SHELVING_OVER: "the time it was shelved for is over",
    Because.UNSHELVED: "unshelved",
    Because.OUT_OF_SERVICE: "taken out of service",
    Because.IN_SERVICE: "put back into service",
    Because.RESET: "reset",
    Because.NOT_USED: "the settings do not use this alarm",
    Because.NO_HEADER_DIP: (
        "pulses of valve {valve} take {seen_percent} % of header pressure, those of the others "
        "{usual_percent} %: it does not fire. Check its coil, wiring and pilot, then its diaphragm"
    ),
    Because.NO_HEADER_DIP_AT_ALL: (
        "pulses take {seen_percent} % of header pressure where {usual_percent} % is usual: no "
        "valve fires. Check the supply of the valves"
    ),
    Because.NO_DP_RESPONSE: (
        "dP falls by {seen_percent} % at pulses of valve {valve}, by {usual_percent} % at those of "
        "the others: it does not fire, or its row is blinded. Listen to it at its next pulse"
    ),
    Because.ROW_NOT_CLEANED: (
        "dP falls by {seen_percent} % at pulses of row {valve}, by {usual_percent} % at those of "
        "the others, though its valve takes {dip_percent} % of header pressure (others "
        "{usual_dip_percent} %). Look for moisture, oil, and dust bridged between the pleats"
    ),
    Because.HEADER_EMPTIED_BY_VALVE: (
        "header pressure went from {before_header_pa} to {header_pa} within {response_s} of the "
        "pulse of valve {valve}: it stays open. Listen for air that goes on blowing"
    ),
    Because.HEADER_EMPTIED: (
        "header pressure went from {before_header_pa} to {header_pa} between two readings, with no "
        "valve commanded: one has opened, or a line has burst. Listen for air that goes on blowing"
    ),
    Because.HEADER_NOT_REFILLED: (
        "header pressure was {before_header_pa} before the pulse of valve {valve} and is "
        "{header_pa} {response_s} after it. Check shut-off valve, regulator and compressor, then "
        "listen to that valve"
    ),
    Because.HEADER_SLOW: (
        "the last {pulses} pulses began at {header_pa} or so, where the header holds "
        "{rest_header_pa} at rest: it does not recover from one pulse to the next. Lengthen the "
        "interval, or check regulator, its filter and the hose"
    ),
    Because.HEADER_WEAK: (
        "the last {pulses} runs began at {header_pa} or so, where {usual_header_pa} is usual. "
        "Check compressor, regulator and its filter"
    ),
    Because.DP_BELOW_CLEANED: (
        "dP {dp_pa} is well below the {cleaned_pa} that these filters come back to after cleaning: "
        "one is torn or unseated, the flow is less, or a sensing line leaks. Look for dust in the "
        "clean side"
    ),
    Because.DP_BELOW_CLEANED_ROW: (
        "dP fell to {dp_pa} at a pulse of row {valve}, well below the {cleaned_pa} that these "
        "filters come back to after cleaning: one there is torn or unseated. Look for dust in the "
        "clean side"
    ),
    Because.DONE: "done",
    Because.ZERO_STARTED: "the zero is taken over the next {average_s}",
    Because.ALREADY_ZEROING: "a zero is already being taken",
    Because.ZERO_BLOWER_NOT_OFF: (
        "the blower must be proved off, and have been off for {blower_off_s}"
    ),
    Because.ZERO_BLOWER_NOT_CONFIRMED: (
        "no contact proves the blower off: confirm that it stands still and ask again"
    ),
    Because.ZERO_WHILE_CLEANING: "a cleaning run is under way: pulses disturb the reading",
    Because.ZERO_TOO_FAR: (
        "the transmitter reads {dp_pa} with no flow, more than the {limit_pa} a zero may hide"
    ),
    Because.ZERO_READING_LOST: "the reading was lost while the zero was being taken",
    Because.NO_SUCH_ALARM: "there is no alarm called {detail!r}",
    Because.NOTHING_TO_ACKNOWLEDGE: "alarm {detail:title} does not wait for an acknowledgement",
    Because.NOT_LATCHED: "alarm {detail:title} is not latched",
    Because.ACKNOWLEDGE_FIRST: "alarm {detail:title} has to be acknowledged before it is reset",
    Because.CANNOT_BE_SHELVED: "alarm {detail:title} is out of service",
    Because.NOT_SHELVED: "alarm {detail:title} is not shelved",
    Because.NOT_OUT_OF_SERVICE: "alarm {detail:title} is not out of service",
    Because.ALREADY_OUT_OF_SERVICE: "alarm {detail:title} is out of service already",
    Because.ALARM_NOT_USED: "the settings do not use alarm {detail:title}",
    Because.SHELVE_TIME: "an alarm is shelved for some time, {shelve_max_s} at most",
    Because.NO_WHY: "say why",
    Because.NO_SUCH_VALVE: "there are valves 1 to {valves} only",
    Because.NO_SUCH_UPKEEP: "the settings have no upkeep called {detail!r}",
    Because.NO_NOTE: "write what is to be noted",
    Because.PULSE_STARTED: "valve {valve} is pulsed once",
    Because.PULSE_BY_SEQUENCER: (
        "a sequencer board chooses which valve it pulses: use the test of the board"
    ),
    Because.PULSE_WHILE_CLEANING: "cleaning is under way; select mode off first",
    Because.PULSE_WHILE_ZEROING: "the zero is being taken",
    Because.PULSE_TOO_SOON: "the header gets {interval_s} from one pulse to the next",
    Because.BLOWER_NOT_BY_HAND: "the blower is not set up to be run by hand",
    Because.ID_USED: "this `id` was that of another request: every request needs a new one",
    Because.NOT_UNDERSTOOD: "not understood: {detail}",
    Because.NOT_NAMED: "`by` must say who asks for this",
    Because.LEVEL_TOO_LOW: "it needs a higher level: this is taken on {detail} only",
    Because.TOO_MANY: (
        "more than {per_minute} requests a minute from the same source: those that follow are "
        "refused and not put on record until they are fewer"
    ),
    Because.BUSY: "too many requests are waiting already",
    Because.RETAINED: "a request must not be a retained message: it would act again and again",
    Because.AGE_NOT_TOLD: (
        "it must tell when it was sent: `utc`, or a message expiry interval (MQTT 5) of at most "
        "{expiry_s}"
    ),
    Because.AGE_NOT_KNOWN: (
        "the clock of this computer is not set, so the age of a request is not known: send it with "
        "a message expiry interval (MQTT 5) of at most {expiry_s}"
    ),
    Because.TOO_OLD: "it was sent {age_s} ago, and holds for {expiry_s}",
    Because.FROM_THE_FUTURE: (
        "its `utc` is {ahead_s} ahead of this computer's clock: set both clocks by the network"
    ),
    Because.HOLDS_TOO_LONG: (
        "its message expiry interval is {interval_s}: at most {expiry_s} are allowed"
    ),
    Because.NOT_IN_TIME: "the daemon did not get to it within {within_s}; it may still do so",
    Because.SET_POINT_FIXED: (
        "the settings do not let set point {detail:point} be changed by request"
    ),
    Because.PRESSURE_LIMITS: "set point {detail:point} may be put from {least_pa} to {most_pa}",
    Because.TIME_LIMITS: "set point {detail:point} may be put from {least_s} to {most_s}",
    Because.ON_TIME_STEP: "the output module can only time multiples of {step_s}",
    Because.LOW_NOT_BELOW_HIGH: "the low set point must be below the high one",
    Because.NOTHING_TO_CHANGE: "these are the set points as they are",
    Because.CONFIRM_CHANGE: "nothing is changed yet: confirm it within {within_s}",
    Because.NO_SUCH_CHANGE: "no change {detail} waits to be confirmed: ask for it again",
    Because.CHANGE_OF_ANOTHER: "only whoever asked for it may confirm it, which was {detail}",
    Because.NOT_CONFIRMED: "nobody has confirmed it in time",
    Because.CHANGE_REPLACED: "another change was asked for before it was confirmed",
}


_HEADER_PRESSURES = ("min_pa", "max_pa")


def header_unit(unit: PressureUnit) -> PressureUnit:
    """Unit for header pressure beside a dP in ``unit``: a gauge on compressed air shows psi or
    bar, and nobody knows 80 psi as 2214 inH2O."""
    return PressureUnit.PSI if unit is PressureUnit.INH2O else PressureUnit.BAR


def sentence(reason: Reason, unit: PressureUnit) -> str:
    """The reason as people read it. A number that is not there, because another version recorded
    the reason or the record is damaged, is a question mark."""
    numbers = {name: number(name, value, unit) for name, value in reason.values}
    template = SENTENCES[reason.code]
    if not reason.detail:
        template = template.replace(" ({detail})", "")
    return template.format_map(_Said(numbers, detail=_Detail(reason.detail)))


class _Detail(str):
    """A reason's ``detail`` in its template: ``{detail}`` in words, ``{detail!r}`` as it is,
    ``{detail:title}`` an alarm's title, ``{detail:point}`` a set point."""

    def __format__(self, spec: str) -> str:
        if spec == "title":
            return f'"{alarm_title(self)}"' if self in ALARM_TITLES else repr(self)
        return set_point_words(self) if spec == "point" else spoken(self)


def spoken(detail: str) -> str:
    """A detail as people read it: a code at its beginning loses its underscores."""
    code, colon, rest = detail.partition(":")
    return f"{code.replace('_', ' ')}{colon}{rest}" if code.isidentifier() else detail


class _Said(dict[str, str]):
    def __missing__(self, name: str) -> str:
        return "?"


def number(name: str, value: float, unit: PressureUnit) -> str:
    """One number as people read it, its unit known by the ending of its name."""
    if name in _HEADER_PRESSURES or name.endswith("header_pa"):
        return show(value, header_unit(unit))
    if name.endswith("_pa"):
        return show(value, unit)
    if name.endswith("_s"):
        return duration(value)
    if name.endswith("_pa_per_h"):
        return f"{value:.3g} Pa/h"
    for ending, short in (("_h", "h"), ("_m3", "m3"), ("_kg", "kg")):
        if name.endswith(ending):
            return f"{value:.4g} {short}"
    if name.endswith("_ma"):
        return f"{value:.2f}"
    if name.endswith("_percent"):
        return f"{value:.1f}"
    return f"{value:g}"


_LABELS = {"dp_pa": "dP", "free_m3": "free air"}
_UNITS_TOLD = ("_pa_per_h", "_pa", "_s", "_h", "_m3", "_kg")


def label(name: str) -> str:
    """What a number is of: its name without the unit, which ``number`` tells."""
    ending = next((each for each in _UNITS_TOLD if name.endswith(each)), "")
    return _LABELS.get(name) or name.removesuffix(ending).replace("_", " ")


def set_point_words(name: str) -> str:
    """A set point as people call it, by its name in requests."""
    return name.rpartition("_")[0].replace("_", "-")


def setting_change(changed: SettingChanged, unit: PressureUnit) -> str:
    """A change of a setting as people read it: ``cleaning high 4.02 inH2O -> 4.50 inH2O``."""
    section, _, rest = changed.setting.rpartition(".")
    shown = [_shown(rest, text, unit) for text in (changed.before, changed.after)]
    where = f"{section} {label(rest)}".replace(".", " ").replace("_", " ").strip()
    return f"{where}: {' -> '.join(shown)}"


def _shown(name: str, text: str, unit: PressureUnit) -> str:
    try:
        return number(name, float(text), unit)
    except ValueError:
        return text or "none"


def duration(duration_s: float) -> str:
    """A length of time in the largest unit that keeps it short: ``0.15 s``, ``45 s``, ``2.5 h``."""
    for length_s, name in ((86400, "d"), (3600, "h"), (60, "min")):
        if duration_s >= 2 * length_s or (duration_s >= length_s and duration_s % length_s == 0):
            return f"{round(duration_s / length_s, 1):g} {name}"
    return f"{duration_s:.3g} s"
