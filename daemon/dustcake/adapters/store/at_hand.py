"""What of an outbox need not be read from the disk, because it has just been written there."""

from collections.abc import Iterable, Sequence

from dustcake.ports import Queued
from dustcake.publish.topics import Keep

CAPACITY = 64


class AtHand:
    """The end of an outbox, in memory: everything in it that waits, as long as ``oldest`` says so.

    Numbers of an outbox have no gap but where a commit has failed. So what is added belongs to the
    end if it follows the last number that is known here; where it does not, or is too much, the
    disk is asked until nothing waits there any more.
    """

    def __init__(self) -> None:
        self._queued: dict[int, Queued] = {}
        self._known_to: int | None = None
        self._added_to = 0

    def oldest(self, most: int) -> list[Queued] | None:
        """The oldest ``most`` that wait; None where only the disk knows."""
        if self._known_to is None:
            return None
        if len(self._queued) < most and self._known_to < self._added_to:
            return None
        return list(self._queued.values())[:most]

    def nothing_up_to(self, ref: int) -> None:
        """The disk has been asked: nothing waits up to this number."""
        if self._known_to is None or ref > self._known_to:
            self._known_to = ref

    def add(self, added: Sequence[Queued | None]) -> None:
        """These have been added on the disk; None for what cannot be told from memory."""
        for one in added:
            if one is None:
                self._added_to += 1
                continue
            self._added_to = one.ref
            if one.publication.keep is Keep.LATEST:
                self._drop_older(one.publication.topic)
            if self._known_to is not None and one.ref == self._known_to + 1:
                self._queued[one.ref] = one
                self._known_to = one.ref
        if len(self._queued) > CAPACITY:
            self.distrust()

    def _drop_older(self, topic: str) -> None:
        for ref, one in list(self._queued.items()):
            if one.publication.keep is Keep.LATEST and one.publication.topic == topic:
                del self._queued[ref]

    def delivered(self, refs: Iterable[int]) -> None:
        """These wait no longer."""
        for ref in refs:
            self._queued.pop(ref, None)

    def distrust(self) -> None:
        """Only the disk knows."""
        self._queued.clear()
        self._known_to = None
