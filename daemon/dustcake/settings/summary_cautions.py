"""What a collector does without, and what of its settings wants thinking about."""

from collections.abc import Iterator

from dustcake.core.cleaning.pulse_order import neighbours_in_succession
from dustcake.core.setpoints import OutputKind
from dustcake.settings.model import Collector


def cautions(collector: Collector) -> Iterator[str]:
    """Each caution in a line of its own."""
    yield from _not_fitted(collector)
    yield from _accepted(collector)


def _not_fitted(collector: Collector) -> Iterator[str]:
    """One line for each optional input that is not fitted, and for what that rules out."""
    contacts = collector.contacts
    if contacts.blower_running is None:
        yield (
            "no blower contact: no downtime cleaning; no low dP alarm, as dP alone cannot tell a "
            "torn filter from a stopped blower; no check of the zero at every stop, and missing dP "
            "shows no fault of a sensing line; before a zero is taken a person must confirm that "
            "the blower stands still; flow is proved by dP alone, which a plugged sensing "
            "line or a drifted zero can feign"
        )
    if collector.header is None:
        yield (
            "no header transmitter: pulses are not held back when the air supply fails; a valve "
            "that does not fire is seen by dP alone, and looks like a row that no longer recovers"
        )
    if contacts.smoke is None:
        yield "no smoke contact: pulses and blower run on when there is smoke or a spark"
    if contacts.door_open is None:
        yield "no door contact: pulses go on while an access door is open"
    if contacts.stop is None:
        yield "no stop contact: pulses can be stopped only by selecting the mode off"


def _accepted(collector: Collector) -> Iterator[str]:
    """What the settings take on."""
    outputs = collector.outputs
    if outputs.kind is OutputKind.VALVES_ON_OFF and outputs.watchdog is None:
        yield (
            "no module watchdog: if the daemon or its line dies in the middle of a pulse, that "
            "valve stays on until the daemon is back"
        )
    if outputs.kind is OutputKind.DEMAND_CONTACT and outputs.watchdog is None:
        yield (
            "no module watchdog: if the daemon or its line dies while the demand contact is "
            "closed, the sequencer board pulses on until the daemon is back"
        )
    off = sorted(name for name, each in collector.alarms.override.items() if not each.enabled)
    if off:
        yield f"alarms taken out: {', '.join(off)}"
    if collector.blower.timed_without_proof is not None:
        yield (
            "FLOW IS NOT PROVED in timed cleaning: it pulses with the blower stopped too, and "
            "while dP cannot be trusted, which can raise a dust cloud: for combustible dust only "
            "as the site's dust hazard analysis allows. Accepted in the settings, because: "
            f"{collector.blower.timed_without_proof}"
        )
    if collector.cleaning.downtime:
        yield (
            "downtime cleaning pulses without air flow: for combustible dust only as the site's "
            "dust hazard analysis allows"
        )
    if collector.pulsing.order and len(collector.outputs.coils) >= 4:
        pairs = neighbours_in_succession(collector.order)
        if pairs:
            listed = ", ".join(f"{a} then {b}" for a, b in pairs)
            yield f"the order pulses neighbours in succession ({listed}): dust settles on the first"
