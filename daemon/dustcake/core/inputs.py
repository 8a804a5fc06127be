"""Everything that can happen to a collector, each as one stamped input of ``step``; and in a poll
the raw signals as they were read, or why they were not."""

from collections.abc import Mapping
from dataclasses import field, fields
from enum import StrEnum
from types import MappingProxyType

from dustcake.core.reasons import Reason
from dustcake.core.record import record
from dustcake.core.requests.kinds import Identity, Request


@record
class Stamp:
    """One instant as the shell saw it.

    ``mono_s``: monotonic seconds, for control; its zero means nothing and changes at a restart.
    ``utc_s``: seconds since 1970-01-01 UTC, for records; None while the clock is not known.
    """

    mono_s: float
    utc_s: float | None


class FailureKind(StrEnum):
    """Why a device could not be read or written."""

    UNREACHABLE = "unreachable"  # no connection, or the serial port is not there
    TIMEOUT = "timeout"  # connected, but no reply in time
    LOST = "lost"  # the connection broke while waiting
    EXCEPTION = "exception"  # the device answered with a Modbus exception
    BAD_REPLY = "bad_reply"  # wrong unit, function, length or echo; undecodable
    MISSING = "missing"  # a recorded trace has no value here


@record
class ReadFailure:
    """An expected failure, as a value. ``detail`` names device, address and cause."""

    kind: FailureKind
    detail: str


@record
class Registers:
    """16-bit words as the device sent them, each 0..65535, in the order of their addresses."""

    words: tuple[int, ...]


@record
class Measured:
    """A pressure that needs no scaling: from a recorded trace or a simulated plant."""

    pa: float


Signal = Registers | Measured | ReadFailure


def _called(in_a_sentence: str) -> bool | None:
    contact: bool | None = field(default=None, metadata={"called": in_a_sentence})
    return contact


@record
class Contacts:
    """Contact inputs, True as named. None: not fitted, or fitted but not readable.

    This is the list of contacts. A contact has the same name in the settings, in messages and in
    traces; its label is made from that, what it is called in a sentence stands here, and
    `core.setpoints.Fitted` says which are fitted.
    """

    blower_running: bool | None = _called("the blower contact")
    smoke: bool | None = _called("the smoke contact")
    door_open: bool | None = _called("the door contact")
    process_running: bool | None = _called("the contact of the process equipment")
    stop: bool | None = _called("the stop input")
    drum_full: bool | None = _called("the drum contact")


CALLED: Mapping[str, str] = MappingProxyType(
    {
        "dp": "dP",
        "header": "header pressure",
        **{each.name: each.metadata["called"] for each in fields(Contacts)},
    }
)
"""Every signal by its name, and what it is called in a sentence."""

CONTACT_NAMES = tuple(each.name for each in fields(Contacts))
"""The names of all contacts."""


def contact_label(name: str) -> str:
    """What a contact is called on a screen: ``Door open``."""
    return name.replace("_", " ").capitalize()


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
