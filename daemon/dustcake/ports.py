"""What the runtime needs from the outside world, as protocols. Adapters implement them.

Every method that reaches a device, a disk or a network returns an expected failure as a value;
an exception from one of them is a bug, and ends the daemon.
"""

from collections.abc import Sequence
from typing import Protocol

from dustcake.core.commands import Command
from dustcake.core.events import Event
from dustcake.core.inputs import Contacts, Input, Outcome, Signal, Stamp
from dustcake.core.minutes import Spread
from dustcake.core.record import record
from dustcake.core.state import State
from dustcake.publish.topics import Publication


class Clock(Protocol):
    """Both clocks, and waiting on the monotonic one."""

    def now(self) -> Stamp:
        """The present instant."""

    async def sleep_until(self, mono_s: float) -> None:
        """Return at or just after ``mono_s``; at once if it has passed."""


@record
class FieldReading:
    """One round of reading the field. A contact that could not be read is None."""

    dp: Signal
    header: Signal | None
    contacts: Contacts


@record
class OutputReport:
    """How a command ended; ``detail`` names device, coil and cause when it was not done."""

    outcome: Outcome
    detail: str = ""


class Outputs(Protocol):
    """The outputs of one collector."""

    async def execute(self, command: Command) -> OutputReport:
        """Carry ``command`` out and return when its end is known.

        If the caller is cancelled while a valve is on, the valve is switched off first.
        """


@record
class Commit:
    """What one or more steps want stored together, or not at all.

    ``inputs`` in the order they were stepped; ``state`` after the last of them; ``events`` of all
    of them; ``publications``: those of keep `event` and `latest` go to the outbox. ``urgent``:
    somebody waits for it, to act or to publish; others may wait to share a transaction.
    """

    collector: str
    inputs: Sequence[Input]
    state: State
    events: Sequence[Event]
    publications: Sequence[Publication]
    urgent: bool = True


@record
class Stored:
    """What the journal holds of one collector. ``utc_s``: of the last stored input."""

    state: State
    utc_s: float | None


@record
class Trend:
    """dP over some time. ``parts``: of ``width_s`` seconds each, when one begins and what was read
    in it; one without a reading is left out."""

    since_utc_s: float
    until_utc_s: float
    width_s: float
    parts: Sequence[tuple[float, Spread]]


class Journal(Protocol):
    """Durable memory."""

    async def load(self, collector: str) -> Stored | None:
        """The last committed state, or None on a first start."""

    async def last_seq(self, collector: str) -> int:
        """The number of the newest event on record, 0 where there is none: from there the numbers
        go on where the state has been lost."""

    async def commit(self, commit: Commit) -> str | None:
        """Store all of ``commit`` in one transaction, on the disk when this returns None; else why
        nothing of it is stored."""


@record
class Queued:
    """A publication waiting in the outbox. ``ref`` identifies it; the older, the lower."""

    ref: int
    publication: Publication


class Outbox(Protocol):
    """Publications that must reach the broker, in order."""

    async def pending(self, most: int) -> Sequence[Queued]:
        """The oldest ``most`` publications not yet delivered, oldest first."""

    async def delivered(self, refs: Sequence[int]) -> None:
        """Forget these: the broker has acknowledged them."""

    async def wait(self) -> None:
        """Return when something has been added since the last ``pending`` (or is there now)."""
