"""Everything that can happen to a collector, each as one stamped input of ``step``."""

from enum import StrEnum

from dustcake.core.reasons import Reason
from dustcake.core.record import record
from dustcake.core.requests.kinds import Identity, Request
from dustcake.core.signals import Contacts, Signal
from dustcake.core.stamp import Stamp


@record
class PollCompleted:
    """One round of reading the field: dP, and where fitted header pressure and contacts.

    ``header`` is None where no header transmitter is fitted.
    """

    at: Stamp
    dp: Signal
    contacts: Contacts
    header: Signal | None = None


class Outcome(StrEnum):
    """How a command to the outputs ended."""

    DONE = "done"  # carried out, and where the device allows it read back
    FAILED = "failed"  # not carried out, or not known to have been
    STUCK_ON = "stuck_on"  # an output reads energised after it was switched off
    WITHHELD = "withheld"  # never sent, because its intent could not be committed
    ENDED_EARLY = "ended_early"  # a pulse cut short on purpose, and the valve proved off


@record
class OutputReported:
    """The outcome of the command with ``command_id``; ``detail`` names device and cause."""

    at: Stamp
    command_id: int
    outcome: Outcome
    detail: str = ""


@record
class OperatorRequested:
    """Somebody makes a request. ``by``: who, as far as the shell knows, and ``identity`` how far
    that is; ``request_id``: the caller's own id, so that the same request sent twice acts once."""

    at: Stamp
    request: Request
    by: str
    request_id: str
    identity: Identity = Identity.UNKNOWN


@record
class RequestRefused:
    """Somebody has made a request that is not put to a decision at all, for ``reason``.
    ``request`` and ``request_id`` are empty where they are not known."""

    at: Stamp
    request: str
    by: str
    request_id: str
    identity: Identity
    reason: Reason


@record
class JournalReported:
    """Whether the journal can be written. ``detail`` says why not."""

    at: Stamp
    writable: bool
    detail: str = ""


@record
class Woke:
    """Nothing happened, but the time at which the core wanted to be woken has come."""

    at: Stamp


@record
class Restarted:
    """The daemon has started. ``downtime_s``: since the last stored step, None where unknown
    (first start, or the clock is not set). Monotonic times stored before it mean nothing."""

    at: Stamp
    downtime_s: float | None = None


@record
class Stopping:
    """The daemon is about to stop in an orderly way."""

    at: Stamp


Input = (
    PollCompleted
    | OutputReported
    | OperatorRequested
    | RequestRefused
    | JournalReported
    | Woke
    | Restarted
    | Stopping
)
