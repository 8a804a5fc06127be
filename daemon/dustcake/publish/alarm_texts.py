"""What each alarm tells the person who must act: what it means, what may be behind it, what to do.

The lists of causes and actions are common practice, no source.
"""

from dustcake.core.record import record
from dustcake.core.setpoints import AlarmName


@record
class AlarmText:
    """``title`` for a lamp or a list; ``consequence`` if nobody acts; ``action`` what to do."""

    title: str
    consequence: str
    action: str


ALARM_TEXTS: dict[AlarmName, AlarmText] = {
    AlarmName.FILTER_REPLACEMENT: AlarmText(
        "Filters no longer recover",
        "Air flow stays low and fume escapes at the hood; cleaning uses air for little.",
        "Check header pressure and that every valve fires. If both are right, plan a change of the "
        "whole filter set, and record it.",
    ),
    AlarmName.HIGH_DP: AlarmText(
        "dP high",
        "Air flow is low; filters may be damaged or blinded.",
        "Look at the hood for escaping fume. Check cleaning, header pressure, the dust drum, and "
        "moisture or oil on the filters.",
    ),
    AlarmName.LOW_DP: AlarmText(
        "dP low with the blower running",
        "Dust may pass a torn or unseated filter, or the reading may be wrong.",
        "Look for dust in the clean side and at the stack. Check that filters and doors are "
        "seated, that the damper is open, and that both sensing lines are tight and clear.",
    ),
    AlarmName.CLEANING_NOT_EFFECTIVE: AlarmText(
        "Cleaning does not reach the low set point",
        "Cleaning rests between tries so that it does not pulse for ever; dP stays high.",
        "Check header pressure and recovery, that every valve fires, and the dust drum. If the "
        "filters are older, the low set point may have to follow their residual dP.",
    ),
    AlarmName.HEADER_PRESSURE_LOW: AlarmText(
        "Header pressure low",
        "Pulses are withheld or weak, so filters load up.",
        "Check the shut-off valve, regulator and its filter bowl, the compressor, and valves for "
        "leaks.",
    ),
    AlarmName.HEADER_TRANSMITTER_FAULT: AlarmText(
        "Header pressure cannot be read",
        "Pulses go on without proof that air is there.",
        "Check the header transmitter, its wiring and its Modbus address; read the gauge.",
    ),
    AlarmName.TRANSMITTER_FAULT: AlarmText(
        "dP cannot be read",
        "Cleaning no longer follows the filters: it waits, or pulses at its fallback interval.",
        "Check the transmitter's supply, wiring and Modbus address; then its sensing lines.",
    ),
    AlarmName.OUTPUTS_LOST: AlarmText(
        "Outputs do not answer",
        "No pulse can be fired, so filters load up.",
        "Check the output module's supply, wiring and Modbus address.",
    ),
    AlarmName.VALVE_STUCK_OPEN: AlarmText(
        "A valve output stays energised",
        "The header is emptied through one valve; no other row is cleaned.",
        "Shut off and vent the header by the site's lock-out procedure, then check the output "
        "module and the valve.",
    ),
    AlarmName.SMOKE: AlarmText(
        "Smoke reported",
        "Dustcake stops pulsing and withdraws its blower request. It is no fire protection.",
        "Follow the site's fire procedure. Do not open the collector.",
    ),
    AlarmName.JOURNAL_FAULT: AlarmText(
        "The journal cannot be written",
        "No pulse is fired, because nothing would be kept of it.",
        "Check that the disk is neither full nor read-only; see the detail.",
    ),
}
