"""What the field side hands in: raw signals as they were read, or why they were not."""

from collections.abc import Mapping
from dataclasses import field, fields
from enum import StrEnum
from types import MappingProxyType

from dustcake.core.record import record


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
