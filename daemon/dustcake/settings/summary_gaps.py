"""What a collector does without, and what follows from it."""

from collections.abc import Iterator

from dustcake.settings.model import Collector


def consequences(collector: Collector) -> Iterator[str]:
    """One line for each optional input that is not fitted, and for what that rules out."""
    contacts = collector.contacts
    if contacts.blower_running is None:
        yield (
            "no blower contact: no downtime cleaning; no low dP alarm, as dP alone cannot tell a "
            "torn filter from a stopped blower; no check of the zero at every stop, and missing dP "
            "tells of no fault of a sensing line; before a zero is taken a person must confirm "
            "that the blower stands still; flow is proved by dP alone, which a plugged sensing "
            "line or a drifted zero can feign"
        )
    if collector.header is None:
        yield (
            "no header transmitter: pulses are not held back when the air supply fails; a valve "
            "that does not fire is told by dP alone, and not from a row that no longer recovers"
        )
    if contacts.smoke is None:
        yield "no smoke contact: pulses and blower run on when there is smoke or a spark"
    if contacts.door_open is None:
        yield "no door contact: pulses go on while an access door is open"
    if contacts.stop is None:
        yield "no stop contact: pulses can be stopped only by selecting the mode off"
