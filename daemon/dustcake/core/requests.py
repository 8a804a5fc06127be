"""What an operator, a panel or plant SCADA may ask for. The core may refuse, with a reason."""

from enum import StrEnum

from dustcake.core.record import record


class Mode(StrEnum):
    """The cleaning mode selected by people."""

    OFF = "off"  # no pulses at all
    ON_DEMAND = "on_demand"  # start at or above the high set point, stop at or below the low one
    TIMED = "timed"  # pulse at a fixed interval while selected


@record
class SelectMode:
    """Select the cleaning mode; it stays selected through restarts."""

    mode: Mode


@record
class SetZero:
    """Take the present reading as zero, with the blower off.

    ``blower_off_confirmed``: the person says that the blower stands still; asked for only where
    no blower contact is fitted to prove it.
    """

    blower_off_confirmed: bool = False


@record
class Acknowledge:
    """Acknowledge the alarm of this name."""

    alarm: str


@record
class RunBlower:
    """Ask for the blower to run, or withdraw that, where the run request is set to `hand`."""

    run: bool


Request = SelectMode | SetZero | Acknowledge | RunBlower
