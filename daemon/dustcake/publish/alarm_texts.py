"""What each alarm says to whoever must act: what it means, what may be behind it, what to do.

The lists of causes and actions are common practice, no source.
"""

from dustcake.core.alarms.names import AlarmName
from dustcake.core.record import record


@record
class AlarmText:
    """``title`` for a lamp or a list; ``consequence`` if nobody acts; ``causes`` that are likely,
    the first ones first, with a semicolon between them; ``action`` what to do."""

    title: str
    consequence: str
    causes: str
    action: str


# Where an action leads people to filters, doors or valves, it says what comes before.
_OPENING = (
    "Before opening a door, lock out the blower and vent the header, by the site's procedure."
)
_AIR = "Before work on valves or air lines, lock out and vent the header, by the site's procedure."

ALARM_TEXTS: dict[AlarmName, AlarmText] = {
    AlarmName.FILTER_REPLACEMENT: AlarmText(
        "Filters no longer recover",
        "Air flow stays low and fume escapes at the hood; cleaning uses air for little.",
        "filters blinded or at the end of their life; moisture, oil or a stickier dust on the "
        "filters; valves that do not fire; header pressure too low to clean",
        "Check header pressure, and listen whether every valve fires. If both are right, plan a "
        f"change of the whole filter set, and record it. {_OPENING}",
    ),
    AlarmName.HIGH_DP: AlarmText(
        "dP high",
        "Air flow is low; filters may be damaged or blinded.",
        "filters loaded more than cleaning keeps up with; no or weak pulses; moisture or oil on "
        "the filters; dust drum full, so that dust is raised again; more air flow than the filters "
        "are made for",
        "Look at the hood for escaping fume. Check cleaning, header pressure and the dust drum; "
        f"then look for moisture or oil on the filters. {_OPENING}",
    ),
    AlarmName.LOW_DP: AlarmText(
        "dP low with the blower running",
        "Dust may pass a torn or unseated filter, or the reading may be wrong.",
        "a torn, missing or unseated filter; an access door open; the damper shut, or no flow; a "
        "sensing line leaking or plugged",
        "Look for dust at the stack. Check that doors are shut and the damper is open, and that "
        "both sensing lines are tight and clear; then look for dust in the clean side, and whether "
        f"every filter is on its seat. {_OPENING}",
    ),
    AlarmName.CLEANING_NOT_EFFECTIVE: AlarmText(
        "Cleaning does not reach the low set point",
        "Cleaning rests between tries so that it does not pulse for ever; dP stays high.",
        "low set point below the residual dP of the filters; header pressure low or slow to "
        "recover; a valve that does not fire; dust drum full",
        "Check header pressure and recovery and the dust drum, and listen whether every valve "
        "fires. If the filters are older, the low set point may have to follow their residual dP. "
        f"{_AIR}",
    ),
    AlarmName.HEADER_PRESSURE_LOW: AlarmText(
        "Header pressure low",
        "Pulses are withheld or weak, so filters load up.",
        "supply shut off or compressor down; regulator set low, or its filter bowl full; a "
        "diaphragm valve leaking; interval too short for the header to recover",
        "Check the shut-off valve, regulator and its filter bowl, the compressor, and valves for "
        f"leaks. {_AIR}",
    ),
    AlarmName.HEADER_TRANSMITTER_FAULT: AlarmText(
        "Header pressure cannot be read",
        "Pulses go on without proof that air is there.",
        "wiring or supply of the transmitter; wrong address or settings; transmitter failed",
        "Check the header transmitter, its wiring and its Modbus address; read the gauge.",
    ),
    AlarmName.TRANSMITTER_FAULT: AlarmText(
        "dP cannot be read",
        "Cleaning no longer follows the filters: it waits, or pulses at its fallback interval.",
        "wiring or supply of the transmitter; wrong address or settings; dP beyond the span; "
        "transmitter failed",
        "Check the transmitter's supply, wiring and Modbus address; then its sensing lines.",
    ),
    AlarmName.OUTPUTS_LOST: AlarmText(
        "Outputs do not answer",
        "No pulse can be fired, so filters load up.",
        "wiring or supply of the output module; wrong address or settings; output module failed",
        "Check the output module's supply, wiring and Modbus address. Valves may fire while you "
        "do: lock out and vent the header first, by the site's procedure.",
    ),
    AlarmName.VALVE_STUCK_OPEN: AlarmText(
        "A valve stays open",
        "The header is emptied through one valve; no other row is cleaned.",
        "diaphragm torn, or held off its seat by dirt or ice; pilot stuck, frozen or dirty; where "
        "the output reads energised: output module failed with the output on; where the output "
        "reads energised: another device writes the same outputs",
        "See the detail. Lock out and vent the header by the site's procedure. If an output reads "
        "energised, check the output module, and what else writes to it; if not, look for the "
        "valve that blows, and check its pilot, diaphragm and seat.",
    ),
    AlarmName.SMOKE: AlarmText(
        "Smoke reported",
        "Dustcake stops pulsing and withdraws its blower request. It is no fire protection.",
        "a fire or glowing dust in the collector or its ducts; the detector dirty or its wiring "
        "broken",
        "Follow the site's fire procedure. Do not open the collector.",
    ),
    AlarmName.JOURNAL_FAULT: AlarmText(
        "The journal cannot be written",
        "No pulse is fired, because nothing would be kept of it.",
        "disk full; card worn out and read-only; wrong owner of the directory",
        "Check that the disk is neither full nor read-only; see the detail.",
    ),
    AlarmName.CLEANING_TOO_FREQUENT: AlarmText(
        "Cleaning too frequent",
        "Filters and valves wear fast, air is wasted, and little reserve is left.",
        "residual dP close to the high set point; set points too close to each other; more dust or "
        "air flow than the filters are made for; header pressure too low to clean well",
        "Compare dP after cleaning with the set points; raise low and high together if residual dP "
        "has risen with age. Check header pressure and air flow.",
    ),
    AlarmName.FIELDBUS_LOST: AlarmText(
        "Fieldbus lost",
        "Nothing is read and no pulse can be fired, so filters load up.",
        "cable or connector of the bus; supply of the bus devices or of the converter; address, "
        "baud rate or parity changed; network switch down",
        "Check the bus cable, the supply of the devices and the converter; then the settings of "
        "the bus.",
    ),
    AlarmName.BLOWER_NOT_PROVED: AlarmText(
        "Blower does not run when it should",
        "Fume and dust are not collected.",
        "blower tripped or locked out; belt or coupling broken; the proving contact or its wiring; "
        "the run request does not reach the starter",
        "Look whether the blower runs. If not, check its starter and overload by the site's "
        "lock-out procedure; if so, check the proving contact.",
    ),
    AlarmName.DRUM_FULL: AlarmText(
        "Dust drum full",
        "Dust backs up into the collector, is raised again by every pulse, and dP rises.",
        "drum not emptied in time; level switch dirty",
        "Empty the drum by the site's procedure for this dust, and record it.",
    ),
    AlarmName.CLOCK_NOT_SET: AlarmText(
        "Clock not set",
        "Records carry no time of day until it is. Control goes on.",
        "no network to take the time from; no battery-backed clock, or its battery is empty",
        "Check the network and the time service of this computer.",
    ),
    AlarmName.SENSING_LINE_SUSPECT: AlarmText(
        "dP reading not to be trusted",
        "Cleaning does not follow the filters: a dead reading looks like clean ones.",
        "sensing line or snubber plugged; sensing line off, leaking or swapped; transmitter stuck; "
        "damper or gates moved at once",
        "Check both sensing lines for plugs, leaks and swapped ends, the snubber, and the "
        "transmitter. Taking the zero afterwards clears what was suspected.",
    ),
    AlarmName.ZERO_DRIFT: AlarmText(
        "Zero of the dP transmitter has drifted",
        "dP reads too high or too low by so much, and set points are met too soon or too late.",
        "transmitter ageing; water standing in a sensing line; transmitter mounted anew",
        "Check with both ports open to the room. Take the zero; if that is refused, have the "
        "transmitter serviced.",
    ),
    AlarmName.VALVE_DOES_NOT_FIRE: AlarmText(
        "A valve does not fire",
        "Its row loads up, and the others do its work.",
        "coil or its wiring; pilot blocked or frozen; diaphragm torn; blow pipe off",
        "Listen to the valve at its next pulse. Check its coil and wiring, then pilot and "
        f"diaphragm. {_AIR}",
    ),
    AlarmName.HEADER_NOT_RECOVERING: AlarmText(
        "Header weak or slow to recover",
        "Pulses are weak, and filters load up.",
        "regulator or its filter clogged; compressor too small or failing; hose or pipe too "
        "narrow; interval too short; valve that shuts late",
        "See the detail. Check the shut-off valve, regulator and its filter bowl, the hose and the "
        f"compressor; if all are right, lengthen the interval. {_AIR}",
    ),
    AlarmName.FILTER_TORN: AlarmText(
        "dP too low for these filters",
        "Dust may pass a torn or unseated filter.",
        "filter torn; filter off its seat, or gasket damaged; less air flow; sensing line leaking; "
        "new filters that were not recorded",
        "Look for dust at the stack. If filters were changed or a damper moved, record it. Check "
        "doors, damper and sensing lines; then look for dust in the clean side, and check seats "
        f"and gaskets. {_OPENING}",
    ),
    AlarmName.ROW_NOT_RECOVERING: AlarmText(
        "A row no longer recovers",
        "Its filters carry little flow, and the others load up sooner.",
        "moisture or oil on the filters; dust bridged between the pleats; blow pipe loose or "
        "turned; filters older than the others",
        "Look at the filters of that row for moisture, oil and bridged dust, and at its blow pipe. "
        f"{_OPENING}",
    ),
    AlarmName.READINGS_OFTEN_LOST: AlarmText(
        "Readings are often lost",
        "Cleaning and alarms come later by what is lost; if the line gets worse, not at all.",
        "a loose terminal, a damaged cable or its screen, or no terminating resistor; interference "
        "from a drive or a welding supply beside the cable; two devices with one address, or a "
        "baud rate or time-out that does not suit; a radio link or a network that is overloaded; a "
        "transmitter with a loose connection, or one that reads in jumps",
        "Check terminals, screen and terminating resistors of the line named, and whether another "
        "master asks the same device. Compare the baud rate and the time-out with the device's "
        "manual. The history says which replies were lost, and why.",
    ),
}


def alarm_title(name: str) -> str:
    """What an alarm is called on a lamp or in a list; its name, if this version has no such."""
    return ALARM_TITLES.get(name, name.replace("_", " "))


ALARM_TITLES: dict[str, str] = {alarm.value: text.title for alarm, text in ALARM_TEXTS.items()}
